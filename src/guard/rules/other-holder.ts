import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import { throughText } from '../mount-facts.ts';

/**
 * Rule 4: no loop device, virtual machine or other process sits on the disk. An exclusive open does not see these,
 * so they have to be found by looking. The job's own processes are left out by whoever gathers the facts.
 */
export function refuseOtherHolders(disk: Disk): Finding[] {
  return disk.uses.flatMap((use) => {
    const facts = { disk: disk.name, what: use.what, on: use.on, through: throughText(use) };
    if (use.kind === 'loop-backing') return [finding('guard.loop-on-it', 'refuse', facts)];
    if (use.kind === 'open-descriptor')
      return [finding('guard.held-open', 'refuse', { ...facts, pid: use.pid })];
    return [];
  });
}
