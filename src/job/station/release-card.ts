import { execa } from 'execa';
import type { Disk } from '../../contract/devices.ts';

/**
 * Ejects the medium through its SCSI generic node while the claim is still held: the plain way meets our own claim,
 * and deleting the device would lose the slot for the next card. False where the system cannot.
 */
export async function ejectCard(disk: Pick<Disk, 'genericNode' | 'removable'>): Promise<boolean> {
  if (disk.genericNode === null || !disk.removable) return false;
  const { failed } = await execa('sg_start', ['--eject', disk.genericNode], {
    reject: false,
    stdin: 'ignore',
    timeout: 15_000,
  });
  return !failed;
}
