import type { Disk } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { isEmptySlot } from './empty-readers.ts';
import type { MountLine } from './parse-mountinfo.ts';
import { type Home, type HomeTables, homeOfFile, homeOfMount } from './storage-homes.ts';

/** What the kernel says of a loop's backing file beyond its name (losetup(8), BACK-MAJ:MIN). */
type BackingNumbers = Map<string, string>;

async function readBackingNumbers(reader: SystemReader): Promise<BackingNumbers> {
  const numbers: BackingNumbers = new Map();
  const columns = 'NAME,BACK-MAJ:MIN';
  const list = await reader.run('losetup', ['--list', '--noheadings', '--raw', '--output', columns]);
  // Without root, or without losetup, the names alone have to do; they are then checked by stat only.
  for (const line of list.ok && list.value.status === 0 ? list.value.stdout.split('\n') : []) {
    const [node, pair] = line.replaceAll('\\x20', ' ').trim().split(/\s+/);
    if (node && pair && /^\d+:\d+$/.test(pair)) numbers.set(node, pair);
  }
  return numbers;
}

async function homeOfNumbers(tables: HomeTables, mounts: readonly MountLine[], pair: string): Promise<Home> {
  const node = tables.map.byNumbers.get(pair);
  if (node) return { blocks: [node.name], why: null };
  const mount = mounts.find(({ majorMinor }) => majorMinor === pair);
  return mount ? homeOfMount(tables, mount) : { blocks: [], why: `no mount has the number ${pair}` };
}

function isNodeFolder(mount: MountLine | undefined): boolean {
  return mount?.fsType === 'devtmpfs';
}

async function homeOfBacking(
  tables: HomeTables,
  mounts: readonly MountLine[],
  path: string,
  pair: string | undefined,
): Promise<Home> {
  const numbers = await tables.reader.stat(path);
  // The name may since mean another file, or be one of another root folder; the kernel's number does not lie.
  if (numbers.ok && (pair === undefined || pair === numbers.value.dev)) return homeOfFile(tables, path);
  const name =
    path
      .replace(/ \(deleted\)$/, '')
      .split('/')
      .at(-1) ?? '';
  const onNodes = isNodeFolder(mounts.find(({ majorMinor }) => majorMinor === pair));
  if (onNodes || pair === undefined) {
    const why = `its backing file ${path} is not found`;
    const isKnown = path.startsWith('/dev/') && tables.map.byName.has(name);
    return isKnown ? { blocks: [name], why: null } : { blocks: [], why };
  }
  return homeOfNumbers(tables, mounts, pair);
}

/** A loop device with what lies directly beneath it. */
export interface LoopHome {
  loop: string;
  backingFile: string;
  home: Home;
}

/**
 * Finds what every attached loop device stands on, through its backing file. The kernel neither links a loop to the
 * disk beneath nor claims that disk for it, so this is the only way to see it.
 */
export async function readLoops(
  tables: HomeTables,
  disks: readonly Disk[],
  mounts: readonly MountLine[],
): Promise<LoopHome[]> {
  const attached = disks.filter((disk) => disk.kind === 'loop' && !isEmptySlot(disk));
  if (attached.length === 0) return [];
  const numbers = await readBackingNumbers(tables.reader);
  const found: LoopHome[] = [];
  for (const { name, node, backingFile } of attached) {
    const home =
      backingFile === null
        ? { blocks: [], why: 'its backing file is not told' }
        : await homeOfBacking(tables, mounts, backingFile, numbers.get(node));
    found.push({ loop: name, backingFile: backingFile ?? '?', home });
  }
  return found;
}
