import { LineCounter, parseDocument } from 'yaml';
import { whyTooComplex } from '../../guard/yaml-limits.ts';
import { type Mistake, mistake, type Place, type PlanPath, type Raw } from './mistake.ts';
import { type Spot, walkYaml } from './walk-yaml.ts';
import { describeYamlError } from './yaml-errors.ts';

/** Far beyond any plan: a thousand nodes with every key have about half of it. */
const mostLexemes = 50_000;

/** A plan's text as plain values, with the way back from a value to its place. */
export interface PlanText {
  raw: Raw;
  mistakes: Mistake[];
  /** false where the text is no YAML: then nothing more can be said about its values */
  isReadable: boolean;
  /** where a value or its key stands; of a path that is not there, the nearest part that is */
  placeOf(path: PlanPath, atKey: boolean): Place;
  placeAt(offset: number): Place;
}

function spotOf(root: Spot, path: PlanPath): Spot {
  let spot = root;
  for (const step of path) {
    const part = spot.parts.get(step);
    if (part === undefined) return spot;
    spot = part;
  }
  return spot;
}

function refused(code: 'plan.too-complex', why: string): PlanText {
  const start = () => ({ line: 1, column: 1 });
  const mistakes = [mistake(code, [], { why }, { offset: 0 })];
  return { raw: null, mistakes, isReadable: false, placeOf: start, placeAt: start };
}

/**
 * Parses YAML 1.2 (core schema) in bounded time and depth. Keys that are there twice, anchors that are not there and
 * tags without meaning are mistakes. Throws nothing.
 */
export function readYaml(text: string): PlanText {
  const why = whyTooComplex(text, mostLexemes);
  if (why !== null) return refused('plan.too-complex', why);
  const lines = new LineCounter();
  // Twice the same key is looked for in walkYaml: here it would take a time that grows with the square.
  const document = parseDocument(text, { lineCounter: lines, prettyErrors: false, uniqueKeys: false });
  const placeAt = (offset: number): Place => {
    const { line, col } = lines.linePos(offset);
    return { line: Math.max(1, line), column: Math.max(1, col) };
  };
  const errors = [...document.errors, ...document.warnings].map(({ code, pos }) =>
    mistake('plan.not-yaml', [], { why: describeYamlError(code) }, { offset: pos[0] }),
  );
  const { raw, spot, mistakes } = walkYaml(document.contents);
  return {
    raw,
    mistakes: errors.length > 0 ? errors : mistakes,
    isReadable: errors.length === 0 && !mistakes.some((m) => m.code === 'plan.too-complex'),
    placeOf: (path, atKey) => {
      const found = spotOf(spot, path);
      return placeAt(atKey ? (found.keyOffset ?? found.offset) : found.offset);
    },
    placeAt,
  };
}
