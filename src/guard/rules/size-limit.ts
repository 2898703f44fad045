import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';

/** Rule 8, size: what is larger than any card the station writes is more likely somebody's disk. */
export function requireWithinSizeLimit(disk: Disk, { policy }: GuardContext): Finding[] {
  if (disk.sizeBytes <= policy.maxSizeBytes) return [];
  return [
    finding('guard.too-large', 'refuse', {
      disk: disk.name,
      diskBytes: disk.sizeBytes,
      limitBytes: policy.maxSizeBytes,
      source: policy.source,
    }),
  ];
}
