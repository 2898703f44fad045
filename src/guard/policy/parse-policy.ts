import { type Document, isMap, isNode, isScalar, LineCounter, parseDocument, visit } from 'yaml';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { Policy } from '../../contract/policy.ts';
import { whyTooComplex } from '../yaml-limits.ts';
import { checkPolicy, type SchemaMistake } from './policy-schema.ts';

/** Thousands of serial numbers fit; the check for keys that are there twice takes the square of their number. */
const mostLexemes = 10_000;
const mostBytes = 2 ** 18;

interface Mistake {
  /** where in the text, in UTF-16 units */
  offset: number;
  what: string;
}

function decodeText(bytes: Uint8Array): string | null {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    return null;
  }
}

/** The text, or why it is not even looked at. */
function readText(bytes: Uint8Array): { text: string } | { why: string } {
  if (bytes.length > mostBytes) return { why: `the file is larger than ${mostBytes / 1024} KiB` };
  const text = decodeText(bytes);
  if (text === null) return { why: 'the file is not UTF-8 text' };
  const why = whyTooComplex(text, mostLexemes);
  return why === null ? { text } : { why };
}

/** Where the last of these nodes begins: a node lies behind those around it, so it is the innermost one. */
function innermostStart(nodes: unknown[]): number {
  return Math.max(0, ...nodes.map((node) => (isNode(node) && node.range ? node.range[0] : 0)));
}

/** Offset of the value at a path, of a key in the map there, or of the nearest thing around it. */
function locate(document: Document, { path, key }: SchemaMistake): number {
  const around = [...path.keys(), path.length].map((depth) => document.getIn(path.slice(0, depth), true));
  const map = around.at(-1);
  const keys = isMap(map) ? map.items.map((pair) => pair.key) : [];
  const named = keys.filter((node) => isScalar(node) && String(node.value) === key);
  return innermostStart([...around, ...named]);
}

const sentences: Readonly<Record<string, string>> = {
  DUPLICATE_KEY: 'this key is given twice',
  MULTIPLE_DOCS: 'a policy is one document; a second one begins here',
};

/** Mistakes of the YAML itself (YAML 1.2.2), warnings included: an unknown tag is no better than an unknown key. */
function syntaxMistakes(document: Document.Parsed): Mistake[] {
  return [...document.errors, ...document.warnings].map((error) => ({
    offset: error.pos[0],
    what: sentences[error.code] ?? error.message,
  }));
}

/** What YAML allows and plain data cannot hold, or would hold unseen. */
function unwantedParts(document: Document.Parsed): Mistake[] {
  const unwanted: Mistake[] = [];
  visit(document, {
    Alias: (_at, node) => {
      unwanted.push({ offset: innermostStart([node]), what: 'a policy holds no aliases' });
    },
    Pair: (_at, { key }) => {
      const isWord = isScalar(key) && (typeof key.value !== 'object' || key.value === null);
      const isPlain = isWord && key.value !== '__proto__';
      if (!isPlain) unwanted.push({ offset: innermostStart([key]), what: 'a key is a plain word' });
    },
  });
  return unwanted;
}

function hasUsableTree(document: Document.Parsed, unwanted: Mistake[]): boolean {
  return unwanted.length === 0 && document.errors.every((error) => error.code === 'DUPLICATE_KEY');
}

function toFindings(mistakes: Mistake[], lines: LineCounter, source: string): Finding[] {
  return mistakes
    .sort((a, b) => a.offset - b.offset)
    .map(({ offset, what }) => {
      const { line, col } = lines.linePos(offset);
      return finding('guard.policy-mistake', 'refuse', { path: source, line, column: col, what });
    });
}

function reject(source: string, findings: Finding[]): CardwrightError {
  return new CardwrightError('guard.policy-mistakes', {
    facts: { path: source, count: findings.length },
    findings,
  });
}

/**
 * Reads a policy from YAML 1.2 in UTF-8; an empty file is the built-in policy. Throws `guard.policy-mistakes` with one
 * finding for each mistake (facts `line` and `column`, from 1), all of them at once: unknown and duplicate keys,
 * wrong types, values that make no sense, faults of the YAML itself. A text that would take long to read is one.
 */
export function parsePolicy(bytes: Uint8Array, source: string): Policy {
  const read = readText(bytes);
  if ('why' in read) {
    const facts = { path: source, line: 1, column: 1, what: read.why };
    throw reject(source, [finding('guard.policy-mistake', 'refuse', facts)]);
  }
  const lines = new LineCounter();
  const document = parseDocument(read.text, { lineCounter: lines, prettyErrors: false, version: '1.2' });
  const unwanted = unwantedParts(document);
  const mistakes = [...syntaxMistakes(document), ...unwanted];
  if (hasUsableTree(document, unwanted)) {
    const data: unknown = document.toJS();
    const checked = checkPolicy(data ?? {});
    if (checked.ok && mistakes.length === 0) return { source, ...checked.policy };
    if (!checked.ok) {
      mistakes.push(...checked.mistakes.map((m) => ({ offset: locate(document, m), what: m.what })));
    }
  }
  throw reject(source, toFindings(mistakes, lines, source));
}
