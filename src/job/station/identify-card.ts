import type { Disk } from '../../contract/devices.ts';
import type { EventPort } from '../../contract/events.ts';
import { resolveDevice } from '../../devices/resolve-device.ts';
import type { CardMatch, Records } from '../../records/record-types.ts';
import type { CardRead } from '../engine/read-card.ts';
import { expectIdle } from './busy-disks.ts';
import { claimForReading } from './claim-card.ts';
import { recordsOfCard, withWorker } from './read-card.ts';
import { type Station, surveyDisks } from './survey-disks.ts';

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
  const { graph } = await surveyDisks(station, null);
  const disk = await resolveDevice(station.reader, graph, device);
  expectIdle(disk, station.busyDisks());
  const card = await claimForReading(station.reader, disk);
  try {
    const read = await withWorker(card, null, port, (worker) => worker.call('readCard', {}));
    return { disk, read, matches: recordsOfCard(records, card, read) };
  } finally {
    card.close();
  }
}
