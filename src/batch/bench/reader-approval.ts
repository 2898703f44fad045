import type { Disk } from '../../contract/devices.ts';
import type { ApprovedReader } from './bench-types.ts';

type Device = Pick<Disk, 'usbId' | 'vendor' | 'model' | 'serial' | 'sizeBytes'>;

export function approvalOf({ usbId, vendor, model, serial, sizeBytes }: Device): ApprovedReader {
  return { usbId, vendor, model, serial, sizeBytes };
}

/**
 * The same device? In a USB reader the names are the reader's own; in a slot of the machine they are the card's, and the
 * slot cannot be another one.
 */
export function isSameReader(now: Device, approved: ApprovedReader): boolean {
  if (now.usbId === null && approved.usbId === null) return true;
  return (
    now.usbId === approved.usbId &&
    now.vendor === approved.vendor &&
    now.model === approved.model &&
    now.serial === approved.serial
  );
}

/** Cards of one kind differ by a few per cent; common practice, no source. */
const mostDifference = 0.1;

export function isLikeSize(sizeBytes: number, approvedBytes: number): boolean {
  return Math.abs(sizeBytes - approvedBytes) <= mostDifference * approvedBytes;
}

/** At which port this very reader was approved, where it is no longer there; null where it is new to us. */
export function movedFrom(
  now: Device,
  reader: string,
  approved: ReadonlyMap<string, ApprovedReader>,
  present: ReadonlySet<string>,
): string | null {
  if (now.usbId === null) return null;
  for (const [before, one] of approved) {
    if (before !== reader && !present.has(before) && isSameReader(now, one)) return before;
  }
  return null;
}
