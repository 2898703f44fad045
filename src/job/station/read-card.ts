import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import type { EventPort } from '../../contract/events.ts';
import type { DigestMap } from '../../contract/job.ts';
import { resolveDevice } from '../../devices/resolve-device.ts';
import type { CardMatch, Records, RecordView } from '../../records/record-types.ts';
import type { CardRead } from '../engine/read-card.ts';
import type { CardInReader } from '../supervisor/card-in-reader.ts';
import { handOver } from '../supervisor/hand-over.ts';
import type { ImageInHand } from '../supervisor/image-in-hand.ts';
import type { RunningWorker } from '../supervisor/start-worker.ts';
import { nextWorkerUser } from '../supervisor/worker-user.ts';
import { expectIdle } from './busy-disks.ts';
import { claimForReading } from './claim-card.ts';
import { type Station, surveyDisks } from './survey-disks.ts';

/**
 * From the name of a device to a card that is claimed for reading. The caller closes it.
 *
 * @throws CardwrightError `devices.*`, `job.card-busy`, `media.*`, `job.identity-changed`
 */
export async function takeCardToRead(
  station: Omit<Station, 'key'>,
  device: string,
): Promise<{ card: CardInReader; disk: Disk }> {
  const { graph } = await surveyDisks(station, null);
  const disk = await resolveDevice(station.reader, graph, device);
  expectIdle(disk, station.busyDisks());
  return { card: await claimForReading(station.reader, disk), disk };
}

/** A worker for reading a claimed card; it is ended when `use` is through. */
export async function withWorker<T>(
  card: CardInReader,
  image: ImageInHand | null,
  port: EventPort,
  use: (worker: RunningWorker) => Promise<T>,
): Promise<T> {
  const user = nextWorkerUser();
  const worker = await handOver(card, image, user, port);
  try {
    return await use(worker);
  } finally {
    worker.kill();
    await worker.gone;
  }
}

/** Records that speak of a card, the surest first: by what stands on it, by its own number, by hints. */
export function recordsOfCard(records: Records | null, card: CardInReader, read: CardRead): CardMatch[] {
  const { cid, serial, sizeBytes, port } = card.identity;
  const identityUuid = read.identity?.record ?? null;
  return records?.findForCard({ cid, serial, sizeBytes, port, identityUuid }) ?? [];
}

/** The newest record that surely speaks of this card and says what it should hold. */
export function finishedRecord(matches: readonly CardMatch[]): RecordView | null {
  const isSure = (match: CardMatch) => match.matchedBy === 'identity' || match.matchedBy === 'cid';
  const hasMap = (match: CardMatch) => match.state === 'done' || match.state === 'unconfirmed';
  return matches.find((match) => isSure(match) && hasMap(match)) ?? null;
}

/**
 * The same with its digest map, or the reason why there is none.
 *
 * @throws CardwrightError `job.no-finished-record`, `job.record-without-map`
 */
export function finishedWithMap(
  records: Records | null,
  matches: readonly CardMatch[],
  reader: string,
): { record: RecordView; map: DigestMap } {
  const record = finishedRecord(matches);
  if (!record) throw new CardwrightError('job.no-finished-record', { card: 'untouched', facts: { reader } });
  const map = records?.readDigestMap(record.id) ?? null;
  if (map) return { record, map };
  const facts = { record: record.id, state: record.state };
  throw new CardwrightError('job.record-without-map', { card: 'untouched', facts });
}
