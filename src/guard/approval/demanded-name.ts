import type { Disk } from '../../contract/devices.ts';
import { archiveSignatures, volumeName } from '../archive-content.ts';

/**
 * The volume name that has to be typed besides the code when content looks like somebody's archive: that of the
 * largest such volume (the first of equals). It is given as it is shown, with control characters escaped, since a
 * person types what they see. Null where no name is demanded.
 */
export function demandedName(disk: Disk): string | null {
  const [largest] = archiveSignatures(disk);
  return largest === undefined ? null : volumeName(largest);
}
