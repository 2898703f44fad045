import type { Disk } from '../contract/devices.ts';
import type { Policy } from '../contract/policy.ts';

const byIdFolder = '/dev/disk/by-id/';

function linkName(link: string): string {
  return link.startsWith(byIdFolder) ? link.slice(byIdFolder.length) : link;
}

function isNamedBy(disk: Disk, entry: string): boolean {
  // A loop device has no name that outlives it: its path is all there is, and it names no other kind of disk.
  if (disk.kind === 'loop') return disk.node === entry;
  if (disk.cid !== null && disk.cid.toLowerCase() === entry.toLowerCase()) return true;
  return disk.byIds.some((link) => linkName(link) === linkName(entry));
}

/**
 * The entry of the policy's `allowDevices` that names this disk: by a by-id link, a CID or, for a loop device, its
 * path. Null where none does. Such an entry lifts the kind-of-disk part of the rules and nothing else.
 */
export function namedInPolicy(disk: Disk, policy: Policy): string | null {
  return policy.allowDevices.find((entry) => isNamedBy(disk, entry)) ?? null;
}
