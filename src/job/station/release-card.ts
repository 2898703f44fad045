import { execa } from 'execa';
import type { Disk } from '../../contract/devices.ts';

/**
 * Ejects the medium through its SCSI generic node while the claim is still held: the plain way meets our own claim,
 * and deleting the device would lose the slot for the next card. Every open of a removable disk has the kernel lock
 * the medium in (sd_open in drivers/scsi/sd.c), ours too, so a reader that minds the lock is told to lift it first.
 * False where the system cannot.
 */
export async function ejectCard(disk: Pick<Disk, 'genericNode' | 'removable'>): Promise<boolean> {
  if (disk.genericNode === null || !disk.removable) return false;
  // Many readers know no lock and say so; what counts is whether the card comes out.
  await tellUnit('sg_prevent', '--allow', disk.genericNode);
  return tellUnit('sg_start', '--eject', disk.genericNode);
}

async function tellUnit(program: string, order: string, node: string): Promise<boolean> {
  const { failed } = await execa(program, [order, node], { reject: false, stdin: 'ignore', timeout: 15_000 });
  return !failed;
}
