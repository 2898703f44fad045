import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';

/** Rule 1, first half: a whole disk that the kernel does not hide. Nothing lifts it. */
export function requireWholeDisk(disk: Disk, context: GuardContext): Finding[] {
  const found: Finding[] = [];
  const whole = context.graph.disks.find((other) =>
    other.partitions.some((p) => p.majorMinor === disk.majorMinor || p.name === disk.name),
  );
  if (whole !== undefined) {
    found.push(finding('guard.partition', 'refuse', { disk: disk.name, whole: whole.name }));
  }
  if (disk.hidden) found.push(finding('guard.hidden', 'refuse', { disk: disk.name }));
  return found;
}
