import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';
import { mountNature } from '../mount-facts.ts';

/** Rule 2b: plain mounts of the card's own partitions are unmounted, but only with consent. */
export function askAboutPlainMounts(disk: Disk, context: GuardContext): Finding[] {
  return disk.uses
    .filter((use) => use.kind === 'mount' && mountNature(disk, use, context) === 'plain')
    .map((use) =>
      finding('guard.mounted', 'ask', {
        disk: disk.name,
        what: use.what,
        on: use.on,
        fsType: use.fsType ?? 'unknown type',
      }),
    );
}
