import { isAlias, isMap, isNode, isScalar, isSeq, type Node, type Pair, type Scalar } from 'yaml';
import { type Mistake, mistake, type PlanPath, type Raw } from './mistake.ts';

/** Where a value, its key and its parts stand, as offsets into the text. */
export interface Spot {
  offset: number;
  /** null for the items of a list and the whole */
  keyOffset: number | null;
  parts: Map<string | number, Spot>;
}

/** How many values aliases may multiply a plan into, and how deep it may go. */
const mostValues = 20_000;
const mostDeep = 20;

interface Walk {
  mistakes: Mistake[];
  anchors: Map<string, Node>;
  values: number;
  hasGivenUp: boolean;
}

interface Walked {
  raw: Raw;
  spot: Spot;
}

const offsetOf = (node: unknown, otherwise: number) =>
  (isNode(node) ? node.range?.[0] : undefined) ?? otherwise;

/** A key as it is written: `010` is no number here. */
const keyTextOf = (key: Scalar): string => (typeof key.value === 'string' ? key.value : (key.source ?? ''));

function giveUp(walk: Walk, path: PlanPath, offset: number, why: string): null {
  if (!walk.hasGivenUp) walk.mistakes.push(mistake('plan.too-complex', path, { why }, { offset }));
  walk.hasGivenUp = true;
  return null;
}

/** `offset` is where the value stands, for those that have no place of their own. */
function walkValue(walk: Walk, node: unknown, path: PlanPath, offset: number): Walked {
  const spot: Spot = { offset, keyOffset: null, parts: new Map() };
  walk.values += 1;
  if (walk.hasGivenUp) return { raw: null, spot };
  if (walk.values > mostValues) {
    return { raw: giveUp(walk, path, offset, 'its aliases (*) multiply it without end'), spot };
  }
  if (path.length > mostDeep) return { raw: giveUp(walk, path, offset, 'it is nested too deep'), spot };
  if (isAlias(node)) {
    const target = walk.anchors.get(node.source);
    if (target !== undefined) return { raw: walkValue(walk, target, path, offset).raw, spot };
    const why = 'an alias (*) names an anchor that is not there';
    walk.mistakes.push(mistake('plan.not-yaml', path, { why }, { offset }));
    return { raw: null, spot };
  }
  if (isNode(node) && 'anchor' in node && node.anchor) walk.anchors.set(node.anchor, node);
  if (isMap(node)) return { raw: walkMap(walk, node.items, path, spot), spot };
  if (isSeq(node)) return { raw: walkList(walk, node.items, path, spot), spot };
  return { raw: isScalar(node) ? node.value : null, spot };
}

function walkList(walk: Walk, items: readonly unknown[], path: PlanPath, spot: Spot): Raw[] {
  return items.map((item, at) => {
    const walked = walkValue(walk, item, [...path, at], offsetOf(item, spot.offset));
    spot.parts.set(at, walked.spot);
    return walked.raw;
  });
}

function walkMap(walk: Walk, pairs: readonly Pair[], path: PlanPath, spot: Spot): Raw {
  // Without a prototype, so that no key of the file means anything but itself.
  const map: Record<string, Raw> = Object.create(null);
  for (const { key, value } of pairs) {
    const keyOffset = offsetOf(key, spot.offset);
    const keyText = isScalar(key) ? keyTextOf(key) : '';
    const at = [...path, keyText];
    if (keyText === '') {
      const found = isScalar(key) || key === null ? 'empty' : 'a list, a map or an alias';
      walk.mistakes.push(mistake('plan.bad-key', at, { found }, { offset: keyOffset }));
    } else if (Object.hasOwn(map, keyText)) {
      const first = { offset: keyOffset, first: at };
      walk.mistakes.push(mistake('plan.duplicate-key', at, { key: keyText }, first));
    } else {
      const walked = walkValue(walk, value, at, offsetOf(value, keyOffset));
      map[keyText] = walked.raw;
      spot.parts.set(keyText, { ...walked.spot, keyOffset });
    }
  }
  return map;
}

/** Turns a parsed tree into plain values, once: maps (without prototype), lists, texts, numbers, booleans, null. */
export function walkYaml(contents: unknown): Walked & { mistakes: Mistake[] } {
  const walk: Walk = { mistakes: [], anchors: new Map(), values: 0, hasGivenUp: false };
  return { ...walkValue(walk, contents, [], offsetOf(contents, 0)), mistakes: walk.mistakes };
}
