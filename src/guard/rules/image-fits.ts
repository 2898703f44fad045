import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';

/** Rule 6, second part: the image goes onto the disk, with a seed volume where one is asked for. An exact fit is allowed. */
export function requireImageFits(disk: Disk, { image }: GuardContext): Finding[] {
  if (image === null) return [];
  if (image.sizeBytes === null) return [finding('guard.image-size-unknown', 'refuse', { disk: disk.name })];
  const seedBytes = image.seedBytes ?? 0;
  const missingBytes = image.sizeBytes + seedBytes - disk.sizeBytes;
  if (missingBytes <= 0) return [];
  const facts = { disk: disk.name, diskBytes: disk.sizeBytes, imageBytes: image.sizeBytes, missingBytes };
  if (seedBytes > 0) return [finding('guard.too-small-for-seed', 'refuse', { ...facts, seedBytes })];
  return [finding('guard.too-small', 'refuse', facts)];
}
