import { checkHostName, checkUserName } from '../../identity/names.ts';
import { itemPaths, type Mistake, mistake, type PlanPath, type Raw, textAt, whereOf } from './mistake.ts';

const setPattern = /^[A-Za-z0-9][A-Za-z0-9._-]{0,62}$/;
const mostLabel = 64;

/** Every pair of a later and the first path whose texts `fold` makes equal. */
export function repeated(
  raw: Raw,
  paths: readonly PlanPath[],
  fold: (text: string) => string,
): { path: PlanPath; first: PlanPath; text: string }[] {
  const seen = new Map<string, PlanPath>();
  return paths.flatMap((path) => {
    const text = textAt(raw, path);
    if (text === null) return [];
    const first = seen.get(fold(text));
    if (first === undefined) seen.set(fold(text), path);
    return first === undefined ? [] : [{ path, first, text }];
  });
}

const caseless = (text: string) => text.trim().toLowerCase();

function whyNoLabel(text: string): string | null {
  if (text.trim() === '') return 'it is empty';
  // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what this finds
  if (/[\u0000-\u001f\u007f]/.test(text)) return 'it has line breaks or control characters';
  return text.length > mostLabel ? `it has ${text.length} characters` : null;
}

function checkLabels(raw: Raw, paths: readonly PlanPath[], key: string): Mistake[] {
  return paths.flatMap((path) => {
    const text = textAt(raw, path);
    const why = text === null ? null : whyNoLabel(text);
    return why === null
      ? []
      : [mistake('plan.bad-label', path, { key, where: whereOf(raw, path), why, most: mostLabel })];
  });
}

function checkSet(raw: Raw): Mistake[] {
  const name = textAt(raw, ['set']);
  const why = name === null ? null : checkSetName(name);
  return name === null || why === null ? [] : [mistake('plan.bad-set-name', ['set'], { name, why })];
}

/** Why a set cannot be called so; null when it can. */
export function checkSetName(name: string): string | null {
  if (setPattern.test(name)) return null;
  return name === '' ? 'it is empty' : 'it is too long or has other signs in it';
}

function checkUser(raw: Raw): Mistake[] {
  const path = ['access', 'user'];
  const user = textAt(raw, path);
  const why = user === null ? null : checkUserName(user);
  return user === null || why === null ? [] : [mistake('plan.bad-user', path, { user, why })];
}

/** Names of the set, the user and the nodes, their slots and roles; nodes may share neither name nor slot. */
export function checkNames(raw: Raw): Mistake[] {
  const nodes = itemPaths(raw, ['nodes']);
  const names = nodes.map((node) => [...node, 'name']);
  const slots = nodes.map((node) => [...node, 'slot']);
  const roles = nodes.map((node) => [...node, 'role']);
  const badNames = names.flatMap((path) => {
    const name = textAt(raw, path);
    const why = name === null ? null : checkHostName(name);
    return name === null || why === null ? [] : [mistake('plan.bad-node-name', path, { name, why })];
  });
  return [
    ...checkSet(raw),
    ...checkUser(raw),
    ...badNames,
    ...repeated(raw, names, caseless).map(({ path, first, text }) =>
      mistake('plan.duplicate-name', path, { name: text }, { first }),
    ),
    ...checkLabels(raw, slots, 'slot'),
    ...checkLabels(raw, roles, 'role'),
    ...repeated(raw, slots, caseless).map(({ path, first, text }) =>
      mistake('plan.duplicate-slot', path, { slot: text }, { first }),
    ),
  ];
}
