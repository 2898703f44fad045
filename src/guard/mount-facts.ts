import type { DeviceGraph, Disk, DiskUse } from '../contract/devices.ts';
import type { GuardContext } from './context.ts';
import { isBelow, isBelowUnmountPlace } from './unmount-place.ts';

/** Why a mount cannot be unmounted with consent alone; `plain` where it can. */
export type MountNature =
  | 'plain'
  /** not on a partition of this disk itself, or on a file system that spans several */
  | 'stacked'
  | 'elsewhere'
  | 'other-namespace'
  /** something of another disk is mounted on it or inside it */
  | 'carries-another'
  /** the same mount is also listed as seen in our own namespace, and judged there */
  | 'repeated';

/** File systems that may spread over other disks, or that stand on other file systems. */
const spreadingTypes = new Set(['btrfs', 'zfs', 'bcachefs', 'overlay']);

function isOnDiskItself(disk: Disk, use: DiskUse): boolean {
  const own = [disk.name, ...disk.partitions.map((p) => p.name)];
  if (!own.includes(use.on)) return false;
  return use.through.every((step) => step === disk.name || step === use.on);
}

function isRepeated(disk: Disk, use: DiskUse): boolean {
  return disk.uses.some(
    (other) =>
      other.kind === 'mount' && other.namespace === 'own' && other.what === use.what && other.on === use.on,
  );
}

/** Steps of a stack are told by name, some with more behind it: "dm-0 (vault)". */
function leadsThrough({ through }: DiskUse, name: string): boolean {
  return through.some((step) => step === name || step.startsWith(`${name} (`));
}

/**
 * Whether a mount of another disk lies on this one or inside it. A mount that leads down through this disk is its
 * own, listed once more for what this one stands on.
 */
function carriesAnother(disk: Disk, use: DiskUse, graph: DeviceGraph): boolean {
  return graph.disks
    .filter((other) => other.name !== disk.name)
    .flatMap((other) => other.uses)
    .some(
      (inner) =>
        inner.kind === 'mount' &&
        !leadsThrough(inner, disk.name) &&
        (inner.what === use.what || isBelow(inner.what, use.what)),
    );
}

/**
 * What kind of mount a use of kind `mount` is. The first answer that fits is given, the hardest first, so a mount
 * is called plain only after everything else has been ruled out.
 */
export function mountNature(disk: Disk, use: DiskUse, context: GuardContext): MountNature {
  if (!isOnDiskItself(disk, use) || spreadingTypes.has(use.fsType ?? '')) return 'stacked';
  if (!isBelowUnmountPlace(use.what, context.policy.unmountBelow)) return 'elsewhere';
  if (use.namespace !== 'own') return isRepeated(disk, use) ? 'repeated' : 'other-namespace';
  return carriesAnother(disk, use, context.graph) ? 'carries-another' : 'plain';
}

/** The stack as a person reads it: "sda2 → luks-1 → vg0-root". */
export function throughText(use: DiskUse): string {
  return use.through.length === 0 ? use.on : use.through.join(' → ');
}
