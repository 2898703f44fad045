import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';

/**
 * Rule 11 for the image: the disk that holds the image file is not the one it is written to. A file on tmpfs or the
 * network has no disk, which is fine; a file whose disk could not be found might lie here.
 */
export function refuseImageHome(disk: Disk, { image }: GuardContext): Finding[] {
  if (image === null) return [];
  if (!image.homeTraced) return [finding('guard.image-home-unknown', 'refuse', { disk: disk.name })];
  const names = [disk.name, disk.node, disk.majorMinor];
  return image.homeDisks.some((home) => names.includes(home))
    ? [finding('guard.image-home', 'refuse', { disk: disk.name })]
    : [];
}
