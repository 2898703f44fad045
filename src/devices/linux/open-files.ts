import type { UnseenFact } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { mapLimited } from '../map-limited.ts';
import { fileSystemKind } from './file-system-kinds.ts';
import type { MountLine } from './parse-mountinfo.ts';
import { mountOfPath } from './storage-homes.ts';

/** A block device, or a file on one, that a process has open. */
export interface OpenFile {
  pid: number;
  command: string;
  majorMinor: string;
  /** `device`: its node is open; `file`: a file or folder of the file system on it is */
  how: 'device' | 'file';
}

/** The process ended while we looked, or closed this descriptor. */
const gone = new Set(['ENOENT', 'ESRCH']);

interface Look {
  reader: SystemReader;
  /** numbers of all block devices that sysfs lists */
  known: ReadonlySet<string>;
  /** our own mounts */
  mounts: readonly MountLine[];
  unreadable: { pid: number; why: string }[];
}

/**
 * Sockets and pipes are told by the link alone. So are files of a network share or a FUSE server, which are not
 * touched: either may hang for ever.
 */
function mayBeOnDisk({ mounts }: Look, target: string): boolean {
  if (!target.startsWith('/')) return false;
  const mount = mountOfPath(mounts, target);
  return mount === undefined || mount.mountPoint === '/' || fileSystemKind(mount.fsType) !== 'remote';
}

async function lookAt(look: Look, pid: number, path: string): Promise<Omit<OpenFile, 'command'> | null> {
  const link = await look.reader.readLink(path);
  if (link.ok && !mayBeOnDisk(look, link.value)) return null;
  const numbers = link.ok ? await look.reader.stat(path) : link;
  if (!numbers.ok) {
    if (!gone.has(numbers.why)) look.unreadable.push({ pid, why: numbers.why });
    return null;
  }
  const { kind, rdev, dev } = numbers.value;
  if (kind === 'block' && rdev !== null) return { pid, majorMinor: rdev, how: 'device' };
  return look.known.has(dev) ? { pid, majorMinor: dev, how: 'file' } : null;
}

async function lookAtProcess(look: Look, pid: number): Promise<OpenFile[]> {
  const names = await look.reader.list(`/proc/${pid}/fd`);
  if (!names.ok) {
    if (!gone.has(names.why)) look.unreadable.push({ pid, why: names.why });
    return [];
  }
  const paths = [...names.value.map((name) => `fd/${name}`), 'cwd', 'root', 'exe'];
  const found = new Map<string, Omit<OpenFile, 'command'>>();
  for (const path of paths) {
    const file = await lookAt(look, pid, `/proc/${pid}/${path}`);
    if (file) found.set(`${file.how} ${file.majorMinor}`, file);
  }
  if (found.size === 0) return [];
  const comm = await look.reader.readText(`/proc/${pid}/comm`);
  const command = comm.ok ? comm.value.trim() : '?';
  return [...found.values()].map((file) => ({ ...file, command }));
}

function describeUnreadable(unreadable: Look['unreadable'], isRoot: boolean): UnseenFact[] {
  const what = 'open descriptors of other processes';
  const others = new Set(unreadable.filter(({ pid }) => pid !== 1 || !isRoot).map(({ pid }) => pid));
  const facts: UnseenFact[] = [];
  if (others.size > 0) {
    const whys = [...new Set(unreadable.map(({ why }) => why))].join(', ');
    const few = [...others].slice(0, 5).join(', ');
    facts.push({
      what,
      why: `${whys} for ${others.size} processes (${few}${others.size > 5 ? ', …' : ''})`,
      decides: true,
    });
  }
  // A root whose capabilities were cut may not look into an init that has more of them. Init opens no cards.
  if (isRoot && unreadable.some(({ pid }) => pid === 1)) {
    facts.push({
      what: 'open descriptors of process 1',
      why: 'it has more rights than we have',
      decides: false,
    });
  }
  return facts;
}

/**
 * Looks through the open descriptors, working folders, root folders and programs of all processes but those in
 * `exempt`. A descriptor that was closed after mapping it into memory is not seen.
 */
export async function readOpenFiles(
  reader: SystemReader,
  pids: readonly number[],
  options: Pick<Look, 'known' | 'mounts'> & { exempt: ReadonlySet<number> },
): Promise<{ files: OpenFile[]; unseen: UnseenFact[] }> {
  const look: Look = { reader, known: options.known, mounts: options.mounts, unreadable: [] };
  const asked = pids.filter((pid) => !options.exempt.has(pid));
  const files = await mapLimited(asked, 8, (pid) => lookAtProcess(look, pid));
  const self = await reader.stat('/proc/self');
  const isRoot = self.ok && self.value.uid === 0;
  return { files: files.flat(), unseen: describeUnreadable(look.unreadable, isRoot) };
}
