import type { Disk } from '../../contract/devices.ts';
import type { EventPort } from '../../contract/events.ts';
import type { CardMatch, Records } from '../../records/record-types.ts';
import type { CardRead } from '../engine/read-card.ts';
import { recordsOfCard, takeCardToRead, withWorker } from './read-card.ts';
import type { Station } from './survey-disks.ts';

interface IdentifyJob {
  station: Omit<Station, 'key'>;
  records: Records | null;
  port: EventPort;
}

/** What a card says of itself, and the records that speak of it, the surest first. */
export async function identifyCard(
  { station, records, port }: IdentifyJob,
  device: string,
): Promise<{ disk: Disk; read: CardRead; matches: CardMatch[] }> {
  const { card, disk } = await takeCardToRead(station, device);
  try {
    const read = await withWorker(card, null, port, (worker) => worker.call('readCard', {}));
    return { disk, read, matches: recordsOfCard(records, card, read) };
  } finally {
    card.close();
  }
}
