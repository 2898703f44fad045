import type { Code } from '../../contract/catalogue/index.ts';
import type { Disk, DiskUse, UseKind } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';
import { type MountNature, mountNature, throughText } from '../mount-facts.ts';

/** Null: judged by another rule (plain mounts by `plain-mount`, the other two by `other-holder`). */
const useCodes: Readonly<Record<Exclude<UseKind, 'mount'>, Code | null>> = {
  swap: 'guard.swap',
  holder: 'guard.stacked',
  'btrfs-member': 'guard.btrfs-member',
  'boot-chain': 'guard.boot-chain',
  configured: 'guard.configured',
  'loop-backing': null,
  'open-descriptor': null,
};

const mountCodes: Readonly<Record<MountNature, Code | null>> = {
  plain: null,
  repeated: null,
  stacked: 'guard.mount-stacked',
  elsewhere: 'guard.mounted-elsewhere',
  'other-namespace': 'guard.mounted-in-other-namespace',
  'carries-another': 'guard.mount-carries-another',
};

function codeFor(disk: Disk, use: DiskUse, context: GuardContext): Code | null {
  return use.kind === 'mount' ? mountCodes[mountNature(disk, use, context)] : useCodes[use.kind];
}

/**
 * Rule 2a: nothing that the running system depends on, or may depend on, stands on the disk: mounts other than
 * plain card mounts, swap, stacked holders, btrfs members, the boot chain, fstab and crypttab. Nothing lifts it.
 */
export function refuseSystemUse(disk: Disk, context: GuardContext): Finding[] {
  return disk.uses.flatMap((use) => {
    const code = codeFor(disk, use, context);
    if (code === null) return [];
    return [
      finding(code, 'refuse', { disk: disk.name, what: use.what, on: use.on, through: throughText(use) }),
    ];
  });
}
