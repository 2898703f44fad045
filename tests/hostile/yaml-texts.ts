import fc from 'fast-check';

/** Words and signs of YAML 1.2 and of our files, to be put together in any order. */
const pieces = fc.constantFrom(
  ...[
    '- ',
    '  ',
    '\n',
    ': ',
    '[',
    ']',
    '{',
    '}',
    '&a ',
    '*a',
    '!!str ',
    '!!binary ',
    '! ',
    '|',
    '>',
    '"',
    "'",
  ],
  ...[
    '#',
    '%YAML 1.1',
    '---',
    '...',
    '? ',
    ', ',
    '\t',
    '\r\n',
    '<<: ',
    '<<: *a\n',
    '__proto__: ',
    '~',
    '\\u0000',
  ],
  ...[
    '\u2028',
    '\ufeff',
    '\ud800',
    '\u202e',
    '🍎',
    '@',
    '`',
    '0x1',
    '1e999',
    '9'.repeat(400),
    '-.inf',
    '2001-02-03',
  ],
  ...['PRIVATE KEY', '2001:db8::1/64', 'orchard-01', 'constructor: ', 'toString: ', 'true', 'null', '0o777'],
);

/** A text made of pieces; `words` are the keys that the file's reader knows. */
export function yamlish(words: readonly string[]): fc.Arbitrary<string> {
  return fc
    .array(fc.oneof(pieces, fc.constantFrom(...words)), { maxLength: 60 })
    .map((parts) => parts.join(''));
}

/** A good text with some of it cut out, doubled or exchanged for pieces. */
export function mutated(good: string): fc.Arbitrary<string> {
  const edit = fc.tuple(fc.nat(good.length), fc.nat(12), fc.oneof(pieces, fc.string({ maxLength: 8 })));
  return fc
    .array(edit, { minLength: 1, maxLength: 6 })
    .map((edits) =>
      edits.reduce((text, [at, length, by]) => text.slice(0, at) + by + text.slice(at + length), good),
    );
}

/** Any values under known keys, as JSON, which is YAML. */
export function shaped(keys: readonly string[]): fc.Arbitrary<string> {
  const any = fc.oneof(
    fc.jsonValue({ maxDepth: 3 }),
    fc.constantFrom<unknown>(1e308, -1, 2 ** 53, '9'.repeat(400), '\u0000', '..', { name: [] }, [[[]]]),
  );
  return fc.dictionary(fc.constantFrom(...keys), any, { maxKeys: 6 }).map((value) => JSON.stringify(value));
}

const aliasesOfAliases = [...'bcdefghi'].map(
  (name, at) => `${name}: &${name} [${`*${'abcdefgh'[at]},`.repeat(9)}]`,
);

/**
 * Texts of about so many bytes that cost a parser of YAML far more time, memory or stack than their size would
 * suggest. The word in front is what `whyTooComplex` says of a large one.
 */
export function bombs(sizeBytes: number): [title: string, text: string, why: string][] {
  const times = (text: string) => text.repeat(Math.floor(sizeBytes / text.length) - 8);
  return [
    ['brackets', times('['), 'nested'],
    ['closing brackets', times(']'), 'words and signs'],
    [
      'brackets that are closed',
      `a: ${times('[').slice(sizeBytes / 2)}${times(']').slice(sizeBytes / 2)}`,
      'nested',
    ],
    ['braces', times('{a: '), 'nested'],
    ['lists in lists', times('- '), 'nested'],
    ['explicit keys', times('? '), 'nested'],
    [
      'indentation',
      Array.from({ length: Math.sqrt(sizeBytes) * 1.3 }, (_, at) => `${' '.repeat(at)}a:`).join('\n'),
      'nested',
    ],
    ['one key again and again', times('k:\n'), 'words and signs'],
    [
      'other keys',
      Array.from({ length: sizeBytes / 12 }, (_, at) => `k${at}: 1`).join('\n'),
      'words and signs',
    ],
    ['commas', `[${times(',')}]`, 'words and signs'],
    ['wrong escapes', `a: "${times('\\q')}"`, 'words and signs'],
    ['aliases', `a: &x 1\nb: [${times('*x,').slice(20)}]`, 'words and signs'],
    ['empty documents', times('---\n'), 'words and signs'],
    ['quotes', times('"'), 'words and signs'],
    ['aliases of aliases', `a: &a [x,x,x,x,x,x,x,x,x]\n${aliasesOfAliases.join('\n')}\n`, 'multiply'],
    ['an alias of itself', 'a: &a [*a, *a]\n', 'nested too deep'],
    ['an alias of what holds it', 'a: &a { b: { c: *a } }\n', 'nested too deep'],
  ];
}

/** Large texts that are read to their end, since they are one word or a few. */
export function longWords(sizeBytes: number): [title: string, text: string][] {
  const times = (text: string) => text.repeat(Math.floor(sizeBytes / text.length) - 8);
  return [
    ['one long word', times('x')],
    ['one long line of tabs', times('\t')],
    ['lines of one text', `a: |\n${times('  x\n')}`],
    ['stars', times('*')],
    ['carriage returns', times('\r')],
    ['a long key', `${times('k')}: 1`],
    ['a long number', `a: ${times('9')}`],
  ];
}
