import { busyDisks } from '../job/station/busy-disks.ts';
import type { Station } from '../job/station/survey-disks.ts';
import type { Records } from '../records/record-types.ts';
import type { Desk } from './desk.ts';

/** This machine as a job or a look needs it. */
export async function openStation<Key extends Uint8Array | null>(
  desk: Desk,
  key: Key,
): Promise<Omit<Station, 'key'> & { key: Key }> {
  return {
    reader: desk.reader,
    policy: await desk.policy(),
    key,
    busyDisks: () => busyDisks(recordsIfReadable(desk)),
  };
}

/** The store belongs to root: whoever only looks goes without it. */
export function recordsIfReadable(desk: Desk): Records | null {
  return process.geteuid?.() === 0 ? desk.existingRecords() : null;
}
