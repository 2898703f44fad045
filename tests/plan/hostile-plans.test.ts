import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { describeFinding } from '../../src/contract/finding.ts';
import { goodPlan, read } from './sample.ts';

/** Reads it; anything but a plan or a CardwrightError is thrown on. Gives what a person would be shown. */
async function outcome(text: string | Uint8Array): Promise<string[]> {
  try {
    await read(text);
    return ['read'];
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
    for (const found of error.findings) {
      expect(Number(found.facts.line)).toBeGreaterThanOrEqual(1);
      expect(Number(found.facts.column)).toBeGreaterThanOrEqual(1);
    }
    return [error.code, error.message, ...error.findings.map((f) => `${f.code} ${describeFinding(f)}`)];
  }
}

const pieces = fc.constantFrom(
  ...[
    'plan: 1',
    'set: orchard',
    'nodes:',
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
    '! ',
    '|',
    '>',
  ],
  ...[
    '"',
    "'",
    '#',
    '%YAML 1.1',
    '---',
    '...',
    '? ',
    ', ',
    '\t',
    '\r\n',
    '<<: ',
    '__proto__',
    'name: orchard-01',
    '~',
    '0x1',
  ],
  ...[
    'access: ',
    'files: ',
    'authorizedKeys: ',
    'PRIVATE KEY',
    '\u2028',
    '\ufeff',
    '\\u0000',
    '@',
    '`',
    '2001:db8::1/64',
    '1e999',
  ],
);
const yamlish = fc.array(pieces, { maxLength: 60 }).map((list) => list.join(''));

/** The good plan with some of its text cut out, doubled or exchanged for other pieces. */
const mutated = fc
  .array(fc.tuple(fc.nat(goodPlan.length), fc.nat(12), fc.oneof(pieces, fc.string({ maxLength: 8 }))), {
    minLength: 1,
    maxLength: 6,
  })
  .map((edits) =>
    edits.reduce((text, [at, length, by]) => text.slice(0, at) + by + text.slice(at + length), goodPlan),
  );

describe('a plan of any content', () => {
  it('made of pieces of YAML gives a plan or a named mistake', async () => {
    await fc.assert(
      fc.asyncProperty(yamlish, async (text) => {
        await outcome(text);
      }),
      { numRuns: 150 },
    );
  });

  it('that was a good one gives a plan or a named mistake', async () => {
    await fc.assert(
      fc.asyncProperty(mutated, async (text) => {
        await outcome(text);
      }),
      { numRuns: 150 },
    );
  });

  it('of bytes gives a named mistake', async () => {
    await fc.assert(
      fc.asyncProperty(fc.uint8Array({ maxLength: 300 }), async (bytes) => {
        expect((await outcome(bytes))[0]).not.toBe('read');
      }),
      { numRuns: 100 },
    );
  });

  it('of the right shape with any values gives a plan or a named mistake', async () => {
    const any = fc.jsonValue({ maxDepth: 3 });
    const shape = fc.record(
      {
        plan: fc.constant(1),
        set: fc.oneof(fc.constant('orchard'), any),
        image: fc.oneof(
          fc.record({ file: fc.string(), sha256: fc.string(), sums: any }, { requiredKeys: [] }),
          any,
        ),
        access: fc.oneof(
          fc.record({ user: any, authorizedKeys: fc.array(fc.string()), passwordHash: any }),
          any,
        ),
        network: fc.oneof(
          fc.record({ gateway: fc.ipV4(), nameservers: fc.array(fc.oneof(fc.ipV6(), any)) }),
          any,
        ),
        nodes: fc.array(
          fc.record(
            {
              name: fc.oneof(fc.constantFrom('orchard-01', 'orchard-02'), any),
              address: fc.oneof(
                fc.tuple(fc.ipV4(), fc.nat(40)).map((parts) => parts.join('/')),
                fc.ipV6(),
                any,
              ),
              files: fc.oneof(fc.dictionary(fc.string(), fc.string()), any),
              slot: any,
            },
            { requiredKeys: [] },
          ),
        ),
      },
      { requiredKeys: [] },
    );
    await fc.assert(
      fc.asyncProperty(shape, async (value) => {
        await outcome(JSON.stringify(value));
      }),
      { numRuns: 150 },
    );
  });
});

/** Without limits these take from 4 to 37 s on the two cores this was tried on. */
const mostMs = 3000;
const mib = 2 ** 20 - 100;
const bombs: [string, string, string][] = [
  ['brackets', '['.repeat(mib), 'nested'],
  ['closing brackets', ']'.repeat(mib), 'words and signs'],
  ['braces', '{a: '.repeat(mib / 4), 'nested'],
  ['lists in lists', '- '.repeat(mib / 2), 'nested'],
  ['explicit keys', '? '.repeat(mib / 2), 'nested'],
  ['indentation', Array.from({ length: 1400 }, (_, at) => `${' '.repeat(at)}a:`).join('\n'), 'nested'],
  ['keys', 'k:\n'.repeat(mib / 3), 'words and signs'],
  ['commas', `[${','.repeat(mib - 2)}]`, 'words and signs'],
  ['wrong escapes', `"${'\\q'.repeat(mib / 2 - 2)}"`, 'words and signs'],
  ['aliases', `a: &x 1\nb: [${'*x,'.repeat(mib / 3 - 8)}]`, 'words and signs'],
  ['empty documents', '---\n'.repeat(mib / 4), 'words and signs'],
  ['quotes', '"'.repeat(mib), 'words and signs'],
  [
    'aliases of aliases',
    `a: &a [x,x,x,x,x,x,x,x,x]\n${[...'bcdefghi'].map((c, at) => `${c}: &${c} [${`*${'abcdefgh'[at]},`.repeat(9)}]`).join('\n')}\n`,
    'multiply',
  ],
  ['an alias of itself', 'a: &a [*a, *a]\n', 'nested too deep'],
  ['an alias of what holds it', 'a: &a { b: { c: *a } }\n', 'nested too deep'],
];

describe('a plan made to keep the program busy', () => {
  it.each(bombs)('is refused within seconds: %s', async (_title, text, expected) => {
    const begunMs = performance.now();
    const told = await outcome(text);
    expect(
      told.filter((one) => /^plan\.(too-complex|not-yaml) /.test(one) && one.includes(expected)),
    ).toHaveLength(1);
    expect(performance.now() - begunMs).toBeLessThan(mostMs);
  });

  it.each<[string, string]>([
    ['one long word', 'x'.repeat(mib)],
    ['one long line of tabs', '\t'.repeat(mib)],
    ['lines of one text', `a: |\n${'  x\n'.repeat(mib / 4 - 2)}`],
    ['stars', '*'.repeat(mib)],
    ['carriage returns', '\r'.repeat(mib)],
    ['a long key', `${'k'.repeat(mib - 3)}: 1`],
  ])('is read to its end within seconds: %s', async (_title, text) => {
    const begunMs = performance.now();
    expect((await outcome(text))[0]).toBe('plan.mistakes');
    expect(performance.now() - begunMs).toBeLessThan(mostMs);
  });

  it('is not confused with a large one: a thousand nodes read within seconds', async () => {
    const nodes = Array.from(
      { length: 1000 },
      (_, at) =>
        `  - { name: orchard-${at}, slot: "S${at}", role: gate, address: 10.1.${at >> 8}.${at & 255}/16 }`,
    );
    const text = goodPlan.replace(/network[\s\S]*/, `nodes:\n${nodes.slice(1).join('\n')}\n`);
    const begunMs = performance.now();
    expect((await read(text)).nodes).toHaveLength(999);
    expect(performance.now() - begunMs).toBeLessThan(mostMs);
  });
});
