import { isMap, isScalar, isSeq, type Node, Scalar, type YAMLMap, YAMLSeq } from 'yaml';
import { listOf, quoted, removeSetting } from './yaml-text.ts';

/** Stands behind what was put in here and has no name of its own, so that another writing finds it. */
const mark = 'cardwright';

/** A value whose line says that it is ours. */
export function marked<T extends Node>(value: T): T {
  value.comment = ` ${mark}`;
  return value;
}

const isMarked = (node: unknown) => isScalar(node) && node.comment?.trim() === mark;

/** Takes a setting away that a former writing put in. */
export function dropOwnSetting(map: YAMLMap, key: string): void {
  if (isMarked(map.get(key, true))) removeSetting(map, key);
}

/** An entry of a list whose first setting is marked. */
export function isOwnEntry(item: unknown): boolean {
  return isMap(item) && isMarked(item.items[0]?.value);
}

/**
 * One command as a list of words: a shell of its own runs it, so that none ends those after it, and its name (`$0`,
 * POSIX.1-2017 sh) says whose it is, in the shell's complaints, too.
 */
function ownCommand(command: string): Node {
  return listOf(['sh', '-c', command, mark].map(quoted));
}

function isOwnCommand(item: unknown): boolean {
  if (!isSeq(item) || item.items.length !== 4) return false;
  const [shell, option, , name] = item.items.map((word) => (isScalar(word) ? word.value : null));
  return shell === 'sh' && option === '-c' && name === mark;
}

/**
 * A list among the image's settings, to be changed in place: comments stay where they are. Null where something else
 * stands there.
 */
export function readList(map: YAMLMap, key: string): YAMLSeq | null {
  const value = map.get(key, true) as unknown;
  if (isSeq(value)) return value as YAMLSeq;
  return value === undefined || (isScalar(value) && value.value === null) ? new YAMLSeq() : null;
}

/** A list without entries is not written, unless it came with the image. */
export function writeList(map: YAMLMap, key: string, list: YAMLSeq, items: readonly unknown[]): void {
  const hadItems = list.items.length > 0;
  list.items = [...items];
  // In brackets there is no room for comments and longer texts.
  list.flow = false;
  if (items.length > 0) map.set(map.has(key) ? key : new Scalar(key), list);
  else if (hadItems) removeSetting(map, key);
}

/**
 * Puts commands into a list of the image's (cloud-init, modules bootcmd and runcmd), before or behind the image's
 * own. Those of a former writing go.
 * @returns why that cannot be done, or null
 */
export function putOwnCommands(
  map: YAMLMap,
  key: 'bootcmd' | 'runcmd',
  commands: readonly string[],
): string | null {
  const list = readList(map, key);
  if (list === null) return commands.length === 0 ? null : `its ${key} is not a list`;
  const others = list.items.filter((item) => !isOwnCommand(item));
  if (others.length === list.items.length && commands.length === 0) return null;
  const own = commands.map(ownCommand);
  writeList(map, key, list, key === 'bootcmd' ? [...own, ...others] : [...others, ...own]);
  return null;
}
