import {
  Document,
  isAlias,
  isMap,
  isScalar,
  type Node,
  parseDocument,
  Scalar,
  type Tags,
  visit,
  YAMLMap,
  YAMLSeq,
} from 'yaml';
import { whyTooComplex } from '../../guard/yaml-limits.ts';

export interface YamlText {
  document: Document;
  /** its top */
  map: YAMLMap;
}

export type YamlResult = ({ ok: true } & YamlText) | { ok: false; why: string };

/** Room for what a former card's first boot carried (`mostFirstBootBytes`, in base64) beside an image's own settings. */
const largestBytes = 2 ** 20;
/** As many as an image's own file never has. */
const mostLexemes = 20_000;

/** An empty value stays empty; all else is text, so that nothing of the image's own file changes its meaning. */
const emptyValue = {
  tag: 'tag:yaml.org,2002:null',
  test: /^$/,
  default: true,
  resolve: () => new Scalar(null),
  identify: (value: unknown) => value === null,
  stringify: () => '',
};

/**
 * Signs that the node's reader (PyYAML's reader.py, `NON_PRINTABLE`; scanner.py, line breaks of YAML 1.1) stops at, or
 * takes for a line's end. They are allowed as escapes alone (YAML 1.1 section 5.6).
 */
const unsafeSigns = /[\u007f-\u009f\u2028\u2029\ufffe\uffff]/;
const escaped = (sign: string) => `\\u${sign.charCodeAt(0).toString(16).padStart(4, '0')}`;

const unsafeText = {
  tag: 'tag:yaml.org,2002:str',
  // Never chosen when reading.
  test: /(?!)/,
  default: true,
  resolve: (text: string) => text,
  identify: (value: unknown) => typeof value === 'string' && unsafeSigns.test(value),
  stringify: ({ value }: { value?: unknown }) =>
    JSON.stringify(value).replace(new RegExp(unsafeSigns, 'g'), escaped),
};

const yamlOptions = {
  schema: 'failsafe',
  customTags: (tags: Tags) => [...tags, emptyValue, unsafeText],
} as const;

export function freshYaml(): YamlText {
  const map = new YAMLMap();
  return { document: new Document(map, yamlOptions), map };
}

const yamlTag = 'tag:yaml.org,2002:';
const readableTags: ReadonlySet<string> = new Set(
  ['str', 'map', 'seq', 'binary'].map((name) => `${yamlTag}${name}`).concat('!'),
);

/**
 * What the node's reader (PyYAML's safe loader) stops at, and then takes nothing of the file at all: lists and
 * mappings as names, and tags that it does not know or that may not fit their values.
 */
function whyUnreadable(document: Document): string | null {
  let why: string | null = null;
  visit(document, {
    Pair: (_at, { key }) => {
      if (!isScalar(key)) why ??= 'a setting in it has no plain word for its name';
    },
    Node: (_at, node) => {
      const tag = isAlias(node) ? undefined : node.tag;
      if (tag !== undefined && !readableTags.has(tag)) why ??= `it has a tag that nodes do not know (${tag})`;
    },
  });
  return why;
}

/**
 * Reads foreign YAML whose top is a mapping, without interpreting it: the node's first-boot program reads YAML 1.1
 * (`0644`, `yes`), we would read 1.2, so every scalar is kept as the text it is (YAML 1.2 section 10.1, failsafe
 * schema). Comments are kept. Empty text gives an empty mapping.
 */
export function readYamlMap(text: string): YamlResult {
  if (text.length > largestBytes) return { ok: false, why: `it is larger than ${largestBytes / 1024} KiB` };
  const complex = whyTooComplex(text, mostLexemes);
  if (complex !== null) return { ok: false, why: complex };
  if (unsafeSigns.test(text)) return { ok: false, why: 'it has control characters that nodes stop at' };
  const document = parseDocument(text, yamlOptions);
  const [error] = document.errors;
  if (error) return { ok: false, why: `it is not proper YAML (${error.message.split('\n', 1)[0]})` };
  if (document.contents === null || (isScalar(document.contents) && document.contents.value === null)) {
    document.contents = new YAMLMap() as never;
  }
  const map: unknown = document.contents;
  if (!isMap(map)) return { ok: false, why: 'it is not a list of settings with their values' };
  const unreadable = whyUnreadable(document);
  if (unreadable !== null) return { ok: false, why: unreadable };
  return { ok: true, document, map };
}

export function writeYaml(document: Document): string {
  return document.toString({ lineWidth: 0 });
}

/** Null where it cannot be written: what was replaced or removed may have been the anchor of something else. */
export function tryToWriteYaml(document: Document): string | null {
  try {
    return writeYaml(document);
  } catch {
    // The library's only reason is an alias without its anchor, and it has no code for it.
    return null;
  }
}

/** Text in quotes, which no reader takes for a number or a truth value. */
export function quoted(value: string): Scalar {
  const scalar = new Scalar(value);
  scalar.type = 'QUOTE_DOUBLE';
  return scalar;
}

/** Text over several lines, as it stands. */
export function block(value: string): Scalar {
  const scalar = new Scalar(value);
  scalar.type = 'BLOCK_LITERAL';
  return scalar;
}

/** A number or truth value. */
export function bare(value: boolean | number): Scalar {
  return new Scalar(String(value));
}

export function listOf(items: readonly Node[]): YAMLSeq {
  const list = new YAMLSeq();
  list.items = [...items];
  return list;
}

export function mapOf(entries: Readonly<Record<string, Node>>): YAMLMap {
  const map = new YAMLMap();
  for (const [key, value] of Object.entries(entries)) map.set(new Scalar(key), value);
  return map;
}

const comparable = (node: unknown): string => JSON.stringify(node ?? null);

/**
 * Puts a setting into a mapping.
 * @returns true where another value stood there
 */
export function replaceSetting(map: YAMLMap, key: string, value: Node): boolean {
  const before = map.get(key, true);
  const isReplaced = map.has(key) && comparable(before) !== comparable(value);
  // Its own line's comment belongs to the setting, not to the value that goes.
  if (before?.comment) value.comment = before.comment;
  map.set(map.has(key) ? key : new Scalar(key), value);
  return isReplaced;
}

/** @returns true where the setting was there */
export function removeSetting(map: YAMLMap, key: string): boolean {
  const first = map.items[0]?.key;
  if (!isScalar(first) || first.value !== key) return map.delete(key);
  // What stands above a file's first setting is about the file: it passes to the next one.
  const next = map.items[1]?.key;
  const comment = first.commentBefore;
  map.delete(key);
  if (!comment) return true;
  if (isScalar(next)) next.commentBefore = [comment, next.commentBefore].filter(Boolean).join('\n');
  else map.commentBefore ??= comment;
  return true;
}
