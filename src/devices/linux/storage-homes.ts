import type { SystemReader } from '../../contract/system-reader.ts';
import type { BlockMap } from './block-map.ts';
import { fileSystemKind } from './file-system-kinds.ts';
import { overlayLayers } from './overlay-layers.ts';
import type { MountLine } from './parse-mountinfo.ts';
import { parseZpoolMembers } from './parse-zpool.ts';
import type { BtrfsVolume } from './read-btrfs.ts';

/** Block devices under a mount or a file. `why` is null where all of them were found (there may be none at all). */
export interface Home {
  blocks: string[];
  why: string | null;
}

/** What homes are looked up in. */
export interface HomeTables {
  reader: SystemReader;
  map: BlockMap;
  /** mounts of our own namespace, in which paths are looked up */
  mounts: readonly MountLine[];
  btrfs: readonly BtrfsVolume[];
}

/** Overlays already on the way down, by number, so that two whose hidden layers look like each other end. */
type Trail = readonly string[];

const nowhere: Home = { blocks: [], why: null };
const lost = (why: string): Home => ({ blocks: [], why });

function joinHomes(homes: readonly Home[]): Home {
  return {
    blocks: [...new Set(homes.flatMap(({ blocks }) => blocks))],
    why: homes.find(({ why }) => why !== null)?.why ?? null,
  };
}

async function blockAt({ reader, map }: HomeTables, path: string): Promise<Home> {
  const numbers = await reader.stat(path);
  const node = numbers.ok && numbers.value.rdev !== null ? map.byNumbers.get(numbers.value.rdev) : undefined;
  const named = node ?? map.byName.get(path.replace(/^\/dev\//, '').replaceAll('/', '!'));
  return named ? { blocks: [named.name], why: null } : lost(`${path} is no block device that sysfs lists`);
}

async function homeOfBtrfs(tables: HomeTables, mount: MountLine): Promise<Home> {
  const source = await blockAt(tables, mount.source);
  const volume = tables.btrfs.find(({ members }) => source.blocks.some((name) => members.includes(name)));
  const only = tables.btrfs.length === 1 ? tables.btrfs[0] : undefined;
  const found = volume ?? only;
  return found ? { blocks: [...found.members], why: null } : lost(`no members known for ${mount.source}`);
}

async function homeOfZfs(tables: HomeTables, mount: MountLine): Promise<Home> {
  const pool = mount.source.split('/')[0] ?? '';
  const status = await tables.reader.run('zpool', ['status', '-LP', pool]);
  const paths = status.ok && status.value.status === 0 ? parseZpoolMembers(status.value.stdout) : [];
  if (paths.length === 0) return lost(`members of the pool ${pool} cannot be listed`);
  return joinHomes(await Promise.all(paths.map((path) => blockAt(tables, path))));
}

/** A layer whose name is relative was given from a folder above the upper layer; that folder is not recorded. */
function candidatePaths(layer: string, all: readonly string[]): string[] {
  if (layer.startsWith('/')) return [layer];
  const anchor = all.find((path) => path.startsWith('/'))?.split('/') ?? [];
  return anchor.slice(1).map((_, cut) => `${anchor.slice(0, anchor.length - 1 - cut).join('/')}/${layer}`);
}

/**
 * A layer is kept by the kernel, its name is not: what was mounted over that name since would lead elsewhere. So a
 * layer lies on whatever its name leads to now, or on any mount that the name passes through; all of them count.
 */
async function homeOfLayer(tables: HomeTables, path: string, trail: Trail): Promise<Home> {
  const real = await tables.reader.realPath(path);
  const names = [path, ...(real.ok ? [real.value] : [])];
  const passed = tables.mounts.filter(
    (mount) => !trail.includes(mount.majorMinor) && names.some((name) => isWithin(mount, name)),
  );
  const homes = [await homeOfFile(tables, path, trail)];
  for (const mount of passed) homes.push(await homeOfMount(tables, mount, trail));
  return joinHomes(homes);
}

async function homeOfOverlay(tables: HomeTables, mount: MountLine, trail: Trail): Promise<Home> {
  if (trail.includes(mount.majorMinor)) return lost('overlays that lead to each other');
  const layers = overlayLayers(mount.superOptions);
  if (layers.length === 0) return lost('an overlay that names no layers');
  const homes: Home[] = [];
  for (const layer of layers) {
    let home = lost(`layer ${layer} is not found`);
    for (const path of candidatePaths(layer, layers)) {
      const numbers = await tables.reader.stat(path);
      // A path that leads into the overlay itself says nothing of what is beneath it.
      if (!numbers.ok || numbers.value.dev === mount.majorMinor) continue;
      home = await homeOfLayer(tables, path, [...trail, mount.majorMinor]);
      break;
    }
    homes.push(home);
  }
  return joinHomes(homes);
}

/** A file system unknown to us with an anonymous number: its source may still be one device, or several with colons. */
async function homeBySource(tables: HomeTables, mount: MountLine): Promise<Home> {
  const paths = mount.source.split(':');
  if (!paths.every((path) => path.startsWith('/dev/'))) return lost(`${mount.fsType} of ${mount.source}`);
  return joinHomes(await Promise.all(paths.map((path) => blockAt(tables, path))));
}

/** External journals and real-time volumes are disks beneath the mount, too (xfs(5): logdev, rtdev). */
function extraDevices(superOptions: string): string[] {
  return [...superOptions.matchAll(/(?:^|,)(?:logdev|rtdev)=([^,]+)/g)].map(([, path]) => path ?? '');
}

/** Block devices directly beneath a mount; what those stand on is the block map's to say. */
export async function homeOfMount(tables: HomeTables, mount: MountLine, trail: Trail = []): Promise<Home> {
  const node = tables.map.byNumbers.get(mount.majorMinor);
  if (node) {
    const extra = extraDevices(mount.superOptions).map((path) => blockAt(tables, path));
    return joinHomes([{ blocks: [node.name], why: null }, ...(await Promise.all(extra))]);
  }
  if (!mount.majorMinor.startsWith('0:')) return lost(`${mount.majorMinor} is not in sysfs`);
  if (mount.fsType === 'btrfs') return homeOfBtrfs(tables, mount);
  if (mount.fsType === 'overlay') return homeOfOverlay(tables, mount, trail);
  if (mount.fsType === 'zfs') return homeOfZfs(tables, mount);
  return fileSystemKind(mount.fsType) === 'stored' ? homeBySource(tables, mount) : nowhere;
}

function isWithin({ mountPoint }: MountLine, path: string): boolean {
  return mountPoint === '/' || path === mountPoint || path.startsWith(`${mountPoint}/`);
}

/** The mount through which a canonical path is reached: the longest mount point, and of equals the last one made. */
export function mountOfPath(mounts: readonly MountLine[], path: string): MountLine | undefined {
  let best: MountLine | undefined;
  for (const mount of mounts) {
    if (isWithin(mount, path) && mount.mountPoint.length >= (best?.mountPoint.length ?? 0)) best = mount;
  }
  return best;
}

/** Block devices beneath a file, or the device itself where the path is a block device's node. */
export async function homeOfFile(tables: HomeTables, path: string, trail: Trail = []): Promise<Home> {
  const real = await tables.reader.realPath(path);
  if (!real.ok) return lost(`${path}: ${real.why}`);
  const numbers = await tables.reader.stat(real.value);
  if (!numbers.ok) return lost(`${path}: ${numbers.why}`);
  if (numbers.value.rdev !== null && numbers.value.kind === 'block') return blockAt(tables, real.value);
  const node = tables.map.byNumbers.get(numbers.value.dev);
  if (node) return { blocks: [node.name], why: null };
  // Files of a btrfs subvolume or an overlay have device numbers that no mount shows: the path leads to the mount.
  const mount = mountOfPath(tables.mounts, real.value);
  return mount ? homeOfMount(tables, mount, trail) : lost(`${path} lies on no mount of ours`);
}
