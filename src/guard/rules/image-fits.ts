import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';

/** Rule 6, second part: the image goes onto the disk. An exact fit is allowed. */
export function requireImageFits(disk: Disk, { image }: GuardContext): Finding[] {
  if (image === null) return [];
  if (image.sizeBytes === null) return [finding('guard.image-size-unknown', 'refuse', { disk: disk.name })];
  if (image.sizeBytes <= disk.sizeBytes) return [];
  return [
    finding('guard.too-small', 'refuse', {
      disk: disk.name,
      diskBytes: disk.sizeBytes,
      imageBytes: image.sizeBytes,
      missingBytes: image.sizeBytes - disk.sizeBytes,
    }),
  ];
}
