import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';

/**
 * Rule 6, third part: the image's partition table counts in the same sectors as the disk's logical blocks, or the
 * card's table would point to the wrong places. An image without a table suits every disk.
 */
export function requireSameSectorSize(disk: Disk, { image }: GuardContext): Finding[] {
  const sectorBytes = image?.sectorBytes ?? null;
  if (sectorBytes === null || sectorBytes === disk.logicalBlockBytes) return [];
  return [
    finding('guard.sector-size', 'refuse', {
      disk: disk.name,
      sectorBytes,
      blockBytes: disk.logicalBlockBytes,
    }),
  ];
}
