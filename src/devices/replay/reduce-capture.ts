import type { Answer } from '../../contract/system-reader.ts';
import { isDeviceParameter, splitKernelParameters } from '../linux/kernel-parameters.ts';
import type { Capture } from './capture.ts';

/** /proc/PID/rest of a path, or null. */
function processPath(path: string): { pid: string; rest: string } | null {
  const [, pid, rest] = path.match(/^\/proc\/(\d+)\/(.+)$/) ?? [];
  return pid !== undefined && rest !== undefined ? { pid, rest } : null;
}

/** A process that ended, or closed something, while it was looked at. */
const isGone = (why: string): boolean => why === 'ENOENT' || why === 'ESRCH';

/** Of what a process keeps from us, the first refusal of each kind: of a hundred descriptors one says it all. */
function refusedPaths(capture: Capture): string[] {
  const first = new Map<string, string>();
  for (const [path, answer] of [capture.link, capture.list, capture.stat].flatMap((table) =>
    answersOf(table),
  )) {
    if (answer.ok || isGone(answer.why)) continue;
    const refusal = `${processPath(path)?.pid} ${answer.why}`;
    if (!first.has(refusal)) first.set(refusal, path);
  }
  return [...first.values()];
}

function answersOf(table: Record<string, Answer<unknown>>): [string, Answer<unknown>][] {
  return Object.entries(table).filter(([path]) => processPath(path) !== null);
}

/** Paths below /proc/PID whose answer says something about a disk, or keeps something from us. */
function tellingPaths(capture: Capture, blockNumbers: ReadonlySet<string>): Set<string> {
  const onDisks = Object.entries(capture.stat).filter(([path, answer]) => {
    if (!processPath(path) || !answer.ok) return false;
    return answer.value.kind === 'block' || blockNumbers.has(answer.value.dev);
  });
  const views = Object.keys(capture.text).filter((path) => processPath(path)?.rest === 'mountinfo');
  return new Set([...refusedPaths(capture), ...onDisks.map(([path]) => path), ...views]);
}

function rootNumbersOf(capture: Capture): string | null {
  const own = capture.text['/proc/self/mountinfo'];
  return (own?.ok && own.value.match(/^\d+ \d+ (\d+:\d+) \S+ \/ /m)?.[1]) || null;
}

function blockNumbersOf(capture: Capture): Set<string> {
  const texts = Object.entries(capture.text).filter(([path]) => /^\/sys\/devices\/.*\/dev$/.test(path));
  const numbers = new Set(texts.map(([, text]) => (text.ok ? text.value.trim() : '')));
  // Every process has files of the root file system open.
  numbers.delete(rootNumbersOf(capture) ?? '');
  return numbers;
}

function dropProcesses(capture: Capture): void {
  const telling = tellingPaths(capture, blockNumbersOf(capture));
  const kept = new Set(['1', ...[...telling].map((path) => processPath(path)?.pid ?? '')]);
  const isKept = (path: string): boolean => {
    const process = processPath(path);
    if (!process) return true;
    return kept.has(process.pid) && (!process.rest.startsWith('fd/') || telling.has(path));
  };
  for (const table of [capture.text, capture.list, capture.link, capture.stat]) {
    for (const path of Object.keys(table)) if (!isKept(path)) delete table[path];
  }
  for (const [path, names] of Object.entries(capture.list)) {
    if (!names.ok) continue;
    if (path === '/proc') names.value = names.value.filter((name) => kept.has(name) || !/^\d+$/.test(name));
    if (/^\/proc\/\d+\/fd$/.test(path)) names.value = names.value.filter((name) => isKept(`${path}/${name}`));
  }
}

/** Kernel command lines tell much about a machine; only what names a device is ever looked at. */
function reduceCommandLine(capture: Capture): void {
  const line = capture.text['/proc/cmdline'];
  if (line?.ok) line.value = `${splitKernelParameters(line.value).filter(isDeviceParameter).join(' ')}\n`;
}

/**
 * Leaves out what bears on no disk: processes that have none open and live in no mount namespace of their own, and
 * kernel parameters that name no device. The reduced capture replays to the same graph; the input is left as it is.
 */
export function reduceCapture(capture: Capture): Capture {
  const reduced = structuredClone(capture);
  dropProcesses(reduced);
  reduceCommandLine(reduced);
  return reduced;
}
