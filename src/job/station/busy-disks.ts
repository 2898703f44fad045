import { basename } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import type { Records } from '../../records/record-types.ts';

/**
 * Disks, by kernel name, that another job of this station is writing to. None of our processes may open those: an
 * open is the moment at which the kernel takes notice of a changed card, and hands it to whoever writes.
 */
export function busyDisks(records: Records | null): string[] {
  const running = records?.listRecords({ states: ['running', 'sealing'] }) ?? [];
  return running.map(({ card }) => basename(card.node));
}

/** @throws CardwrightError `job.card-busy` */
export function expectIdle(disk: Disk, busy: readonly string[]): void {
  if (!busy.includes(disk.name)) return;
  throw new CardwrightError('job.card-busy', { card: 'unknown', facts: { node: disk.node } });
}
