import type { Disk } from '../../contract/devices.ts';
import type { EventPort } from '../../contract/events.ts';
import type { CardMatch, Records } from '../../records/record-types.ts';
import type { FilesLook } from '../engine/look-at-files.ts';
import type { CardRead } from '../engine/read-card.ts';
import type { RunningWorker } from '../supervisor/start-worker.ts';
import { recordsOfCard, takeCardToRead, withWorker } from './read-card.ts';
import type { Station } from './survey-disks.ts';

interface IdentifyJob {
  station: Omit<Station, 'key'>;
  records: Records | null;
  port: EventPort;
}

/**
 * Whether this station made what a card says of itself: by the digest of its identity file, which the record keeps.
 * `ours`: the file is as it was written. `altered`: its record is here, and the file is another than was written.
 * `unproven`: the record is here and keeps no digest, as one of an older version. `not-ours`: no such record here.
 */
export type Origin = 'ours' | 'altered' | 'unproven' | 'not-ours';

/** A card found somewhere: what it says of itself, whether that is true, and what is known of it. */
export interface CardOrigin {
  disk: Disk;
  read: CardRead;
  /** the surest first */
  matches: CardMatch[];
  /** null where the card says nothing */
  origin: Origin | null;
  /** null where the card says nothing */
  look: FilesLook | null;
}

/**
 * What a card says of itself, whether its files are still as they were written and whether this station made them; and
 * the records that speak of it, the surest first.
 *
 * @throws CardwrightError `devices.*`, `job.card-busy`, `media.*`, `volume.*`
 */
export async function identifyCard(
  { station, records, port }: IdentifyJob,
  device: string,
): Promise<CardOrigin> {
  const { card, disk } = await takeCardToRead(station, device);
  try {
    return await withWorker(card, null, port, async (worker) => {
      const read = await worker.call('readCard', {});
      const look = await lookAtFiles(worker, records, read);
      const matches = recordsOfCard(records, card, read);
      return { disk, read, matches, look, origin: look && originOf(records, read, look) };
    });
  } finally {
    card.close();
  }
}

async function lookAtFiles(
  worker: RunningWorker,
  records: Records | null,
  { identity, bootVolume, sectorBytes }: CardRead,
): Promise<FilesLook | null> {
  if (!identity || !bootVolume) return null;
  const { startByte, sizeBytes } = bootVolume;
  const record = records?.readByUuid(identity.record) ?? null;
  const key = record && records ? records.readFilesKey(record.id) : null;
  return worker.call('lookAtFiles', { volume: { startByte, sizeBytes, sectorBytes }, key });
}

function originOf(records: Records | null, { identity }: CardRead, look: FilesLook): Origin {
  const record = identity ? (records?.readByUuid(identity.record) ?? null) : null;
  if (!record) return 'not-ours';
  const { identityFileSha256 } = record.identity;
  if (identityFileSha256 === null) return 'unproven';
  return identityFileSha256 === look.identitySha256 ? 'ours' : 'altered';
}

/** What a card says of itself alone. */
export async function readCardSelf(
  { station, port }: Omit<IdentifyJob, 'records'>,
  device: string,
): Promise<CardRead> {
  const { card } = await takeCardToRead(station, device);
  try {
    return await withWorker(card, null, port, (worker) => worker.call('readCard', {}));
  } finally {
    card.close();
  }
}
