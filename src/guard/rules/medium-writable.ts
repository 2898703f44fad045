import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';

/** Rule 6, first part: there is a medium, and it takes writes. */
export function requireWritableMedium(disk: Disk): Finding[] {
  const found: Finding[] = [];
  // Written so that a size that is no number refuses too.
  if (!(disk.sizeBytes > 0)) found.push(finding('guard.no-medium', 'refuse', { disk: disk.name }));
  if (disk.readOnly) found.push(finding('guard.read-only', 'refuse', { disk: disk.name }));
  return found;
}
