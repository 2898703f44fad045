import * as z from 'zod';
import { keyOf, type Mistake, mistake, type PlanPath, type Raw, valueAt, whereOf } from './mistake.ts';
import { hintFor } from './nearest-word.ts';
import { planSchema } from './plan-schema.ts';

type Issue = z.core.$ZodIssue;

/** A schema without what only says that a value may be missing. */
function bareOf(schema: unknown): unknown {
  return schema instanceof z.ZodOptional || schema instanceof z.ZodDefault ? bareOf(schema.unwrap()) : schema;
}

/** The keys of the part of the plan that a path leads to. */
function knownKeys(path: PlanPath): readonly string[] {
  const part = path.reduce<unknown>((holder, step) => {
    const bare = bareOf(holder);
    if (bare instanceof z.ZodArray) return bare.element;
    return bare instanceof z.ZodObject ? bare.shape[step] : undefined;
  }, planSchema);
  const bare = bareOf(part);
  return bare instanceof z.ZodObject ? Object.keys(bare.shape) : [];
}

const typeWords: Record<string, string> = {
  string: 'text',
  number: 'a number',
  boolean: 'true or false',
  array: 'a list',
  object: 'a map of keys and values',
  record: 'a map of names and paths',
};

function foundWords(value: Raw): string {
  if (Array.isArray(value)) return 'a list';
  return typeof value === 'object' ? 'a map' : (typeWords[typeof value] ?? 'something else');
}

function fixFor(expected: string, value: Raw): string {
  if (expected === 'string' && (typeof value === 'number' || typeof value === 'boolean')) {
    return 'Put it in quotes, so that it stays as it is written.';
  }
  return expected === 'array' ? 'Put it in brackets: [ ].' : 'Correct the value.';
}

/** A value that is missing, empty or of another kind than it must be. */
function wrongValue(raw: Raw, path: PlanPath, expected: string): Mistake {
  const key = keyOf(path);
  const value = valueAt(raw, path);
  const where = whereOf(raw, path);
  if (path.length === 0)
    return mistake('plan.not-a-map', path, { found: value === null ? 'empty' : foundWords(value) });
  if (value === undefined) return mistake('plan.missing-key', path, { key, where: holderOf(raw, path) });
  if (value === null) return mistake('plan.no-value', path, { key, where }, { atKey: true });
  const words = typeWords[expected] ?? expected;
  const what = typeof path.at(-1) === 'number' ? `An entry of ${key}` : key;
  const facts = { key: what, where, expected: words, found: foundWords(value), fix: fixFor(expected, value) };
  return mistake('plan.wrong-type', path, facts);
}

/** What a missing key is missing in. */
function holderOf(raw: Raw, path: PlanPath): string {
  const holder = path.slice(0, -1);
  return holder.length === 0 ? 'the plan' : whereOf(raw, path);
}

function unknownKeys(raw: Raw, path: PlanPath, keys: readonly string[]): Mistake[] {
  const known = knownKeys(path);
  return keys
    .filter((key) => key !== '')
    .map((key) => {
      const at = [...path, key];
      const facts = { key, where: whereOf(raw, at), hint: hintFor(key, known), known: known.join(', ') };
      return mistake('plan.unknown-key', at, facts, { atKey: true });
    });
}

function wrongChoice(raw: Raw, path: PlanPath, choices: readonly unknown[]): Mistake {
  const value = valueAt(raw, path);
  if (value === undefined || value === null) return wrongValue(raw, path, 'string');
  const isShort = typeof value === 'string' || typeof value === 'number' || typeof value === 'boolean';
  const shown = isShort ? String(value) : foundWords(value);
  if (path.length === 1 && path[0] === 'plan') return mistake('plan.wrong-version', path, { found: shown });
  const facts = { key: keyOf(path), where: whereOf(raw, path), value: shown, choices: choices.join(', ') };
  return mistake('plan.bad-choice', path, facts);
}

function fromIssue(raw: Raw, issue: Issue): Mistake[] {
  const path = issue.path.filter((step) => typeof step !== 'symbol');
  switch (issue.code) {
    case 'unrecognized_keys':
      return unknownKeys(raw, path, issue.keys);
    case 'invalid_value':
      return [wrongChoice(raw, path, issue.values)];
    case 'too_small':
      return [
        path[0] === 'nodes'
          ? mistake('plan.no-nodes', path)
          : mistake('plan.no-value', path, { key: keyOf(path), where: whereOf(raw, path) }),
      ];
    case 'invalid_type':
      return [wrongValue(raw, path, issue.expected)];
    default:
      return [wrongValue(raw, path, 'something else')];
  }
}

/** Kinds of values, missing and unknown keys. A plan without mistakes here can be read by `planSchema`. */
export function checkShape(raw: Raw): Mistake[] {
  const result = planSchema.safeParse(raw);
  return result.success ? [] : result.error.issues.flatMap((issue) => fromIssue(raw, issue));
}
