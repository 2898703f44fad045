import type { DiskUse, UnseenFact } from '../../contract/devices.ts';
import type { Answer, SystemReader } from '../../contract/system-reader.ts';
import { mapLimited } from '../map-limited.ts';
import { type MountLine, parseMountinfo } from './parse-mountinfo.ts';

/** What one mount namespace, seen from one root folder, shows. */
export interface MountView {
  namespace: DiskUse['namespace'];
  mounts: MountLine[];
}

/** A process that ended while we looked, or that is only waiting to be reaped, has nothing mounted. */
const gone = new Set(['ENOENT', 'ESRCH', 'EINVAL']);

/** Numbers of all processes in /proc. */
export async function listProcesses(reader: SystemReader): Promise<Answer<number[]>> {
  const names = await reader.list('/proc');
  if (!names.ok) return names;
  return { ok: true, value: names.value.filter((name) => /^\d+$/.test(name)).map(Number) };
}

/** Namespace and root folder, which together decide what mountinfo shows; null where either is kept from us. */
async function viewKey(reader: SystemReader, pid: number | 'self'): Promise<string | null> {
  const space = await reader.readLink(`/proc/${pid}/ns/mnt`);
  const root = await reader.readLink(`/proc/${pid}/root`);
  return space.ok && root.ok ? `${space.value} ${root.value}` : null;
}

interface Gathering {
  reader: SystemReader;
  seenKeys: Set<string>;
  seenTexts: Set<string>;
  views: MountView[];
  unseen: UnseenFact[];
  unreadable: Map<string, number>;
}

async function addView(to: Gathering, pid: number | 'self', namespace: DiskUse['namespace']): Promise<void> {
  const key = await viewKey(to.reader, pid);
  if (key !== null && to.seenKeys.has(key)) return;
  const text = await to.reader.readText(`/proc/${pid}/mountinfo`);
  if (!text.ok) {
    const endedMeanwhile = namespace === null && gone.has(text.why);
    if (!endedMeanwhile) to.unreadable.set(text.why, (to.unreadable.get(text.why) ?? 0) + 1);
    return;
  }
  if (key !== null) to.seenKeys.add(key);
  if (to.seenTexts.has(text.value)) return;
  to.seenTexts.add(text.value);
  const { mounts, odd } = parseMountinfo(text.value);
  for (const line of odd) {
    to.unseen.push({ what: 'a line of mountinfo', why: `not understood: ${line}`, decides: true });
  }
  to.views.push({ namespace, mounts });
}

/**
 * Reads what is mounted, in our own namespace, in that of process 1, and in every other that a process lives in.
 * mountinfo also depends on the root folder of the process, so views are told apart by both, or by their text where
 * /proc keeps the links from us. A namespace that is only pinned by a file has no process and stays unseen: there
 * the exclusive open decides.
 */
export async function readMountViews(
  reader: SystemReader,
  pids: readonly number[],
): Promise<{ views: MountView[]; unseen: UnseenFact[] }> {
  const to: Gathering = {
    reader,
    seenKeys: new Set(),
    seenTexts: new Set(),
    views: [],
    unseen: [],
    unreadable: new Map(),
  };
  await addView(to, 'self', 'own');
  await addView(to, 1, 'init');
  await mapLimited(
    pids.filter((pid) => pid !== 1),
    8,
    (pid) => addView(to, pid, null),
  );
  for (const [why, count] of to.unreadable) {
    to.unseen.push({ what: `mounts seen by ${count} processes`, why, decides: true });
  }
  return { views: to.views, unseen: to.unseen };
}
