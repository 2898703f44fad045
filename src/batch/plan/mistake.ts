import type { Code } from '../../contract/catalogue/index.ts';
import type { Facts } from '../../contract/finding.ts';

/** Keys and positions from the top of the plan to one value. */
export type PlanPath = readonly (string | number)[];

/** Both from 1; columns count UTF-16 units. */
export interface Place {
  line: number;
  column: number;
}

/** One mistake, at a value (or its key) of the plan. */
export interface Mistake {
  code: Code;
  path: PlanPath;
  /** is it the key that is wrong, rather than what stands behind it? */
  atKey: boolean;
  facts: Facts;
  /** another place of the plan that belongs to it: its line becomes the fact `first` */
  first: PlanPath | null;
  /** where in the text it stands, if it is nothing that a path leads to; else null */
  offset: number | null;
}

type Bearing = Partial<Pick<Mistake, 'atKey' | 'first' | 'offset'>>;

export function mistake(code: Code, path: PlanPath, facts: Facts = {}, bearing: Bearing = {}): Mistake {
  return { code, path, facts, atKey: false, first: null, offset: null, ...bearing };
}

/** The plan's values as YAML gives them, before anything is known to be right. */
export type Raw = unknown;

const isMap = (value: Raw): value is Record<string, Raw> =>
  typeof value === 'object' && value !== null && !Array.isArray(value);

export function valueAt(raw: Raw, path: PlanPath): Raw {
  return path.reduce<Raw>((value, step) => {
    if (typeof step === 'number') return Array.isArray(value) ? value[step] : undefined;
    return isMap(value) && Object.hasOwn(value, step) ? value[step] : undefined;
  }, raw);
}

/** The text at a path, or null where there is none or something else. */
export function textAt(raw: Raw, path: PlanPath): string | null {
  const value = valueAt(raw, path);
  return typeof value === 'string' ? value : null;
}

/** The paths of all items of a list; none where there is no list. */
export function itemPaths(raw: Raw, path: PlanPath): PlanPath[] {
  const value = valueAt(raw, path);
  return Array.isArray(value) ? value.map((_, at) => [...path, at]) : [];
}

/** The paths of all entries of a map; none where there is no map. */
export function entryPaths(raw: Raw, path: PlanPath): PlanPath[] {
  const value = valueAt(raw, path);
  return isMap(value) ? Object.keys(value).map((key) => [...path, key]) : [];
}

/** The plan's top and every node: both may have files, boot settings and first-boot orders. */
export function partsOf(raw: Raw): PlanPath[] {
  return [[], ...itemPaths(raw, ['nodes'])];
}

/** Which part of the plan a path lies in, in words: "node orchard-02", "access", "the plan". */
export function whereOf(raw: Raw, path: PlanPath): string {
  const [top, index] = path;
  if (top === 'nodes' && typeof index === 'number' && path.length > 2) {
    const name = textAt(raw, ['nodes', index, 'name']);
    return name === null ? `node ${index + 1}` : `node ${name}`;
  }
  const isInside = path.slice(1).some((step) => typeof step === 'string');
  return typeof top === 'string' && top !== 'nodes' && isInside ? top : 'the plan';
}

/** The key that leads to a value: of a list's item, the key of the list. */
export function keyOf(path: PlanPath): string {
  return String(path.findLast((step) => typeof step === 'string') ?? 'the plan');
}
