import * as fs from 'node:fs';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { errnoOf } from './io-error.ts';

/**
 * Tells whether the card in the slot is still the one that was approved. A claim binds to the slot, not to the card:
 * after an exchange inside a reader the old descriptor reaches the new card, and the kernel's disk sequence number
 * is what changes.
 */
export interface SlotWatch {
  /** throws `media.changed` or `media.gone` */
  check(): void;
}

export const noWatch: SlotWatch = { check: () => undefined };

/**
 * @param fd an open descriptor of the disk's sysfs `diskseq` file: reading it needs no right to open anything
 * @param expected the number at the time of approval
 */
export function watchDiskseq(
  fd: number,
  expected: number,
  readSync: typeof fs.readSync = fs.readSync,
): SlotWatch {
  const buffer = Buffer.alloc(32);
  return {
    check() {
      let found: number;
      try {
        found = Number(buffer.toString('latin1', 0, readSync(fd, buffer, 0, buffer.length, 0)));
      } catch (cause) {
        throw new CardwrightError('media.gone', { facts: { offset: 0, errno: errnoOf(cause) }, cause });
      }
      if (found !== expected) throw new CardwrightError('media.changed', { facts: { expected, found } });
    },
  };
}
