import type { Disk } from '../../contract/devices.ts';
import type { SeedOrder } from '../engine/add-seed.ts';
import type { CardInReader } from '../supervisor/card-in-reader.ts';
import { takeImage } from '../supervisor/image-in-hand.ts';
import { nextWorkerUser } from '../supervisor/worker-user.ts';
import type { CheckedImage } from './check-image.ts';
import type { NodeRequest } from './order-edit.ts';
import type { SeedWish } from './place-seed.ts';
import { recordOnCard } from './record-on-card.ts';
import { type RecordedOutcome, runRecordedJob } from './run-recorded-job.ts';
import { sectorBytesOf } from './sector-bytes.ts';
import { layoutOf, type StationJob, takeCard } from './take-card.ts';

export interface WriteRequest {
  image: CheckedImage;
  device: string;
  mayUnmount: boolean;
  /** null: the image as it is */
  node: NodeRequest | null;
}

export interface WrittenCard {
  outcome: RecordedOutcome;
  /** still claimed: the caller ejects it and lets it go */
  card: CardInReader;
  disk: Disk;
}

/** Told once there is a record, so that a failure can be shown with it. */
export type JobBegun = (begun: { recordId: number; card: CardInReader }) => void;

/** An image of which all is known that a node needs. */
export interface PreparedImage {
  image: CheckedImage;
  wish: SeedWish | null;
}

/**
 * One image onto one card of this station, from the enumeration to the seal. Nothing of the image is read before it goes
 * onto the card.
 *
 * @throws CardwrightError; the claim is given back then
 */
export async function writePreparedCard(
  job: StationJob,
  request: WriteRequest & PreparedImage,
  onBegun: JobBegun,
): Promise<WrittenCard> {
  const { image, wish, node } = request;
  const { card, disk, seed } = await takeCard(job, { ...request, losesAll: true, seed: wish }, image.facts);
  try {
    const marks = {
      ...job.marks,
      cardRecordUuid: job.marks?.cardRecordUuid ?? (await recordOnCard(job, card)),
    };
    const outcome = await writeTakenCard(
      { ...job, marks },
      { card, diskName: disk.name, image, seed, node },
      onBegun,
    );
    return { outcome, card, disk };
  } catch (error) {
    card.close();
    throw error;
  }
}

/** The same for a card that is already claimed; also the way of a make-believe card. */
export async function writeTakenCard(
  job: Pick<StationJob, 'records' | 'port' | 'signal' | 'toolVersion' | 'marks'>,
  taken: {
    card: CardInReader;
    diskName: string | null;
    image: CheckedImage;
    seed: SeedOrder | null;
    node: NodeRequest | null;
  },
  onBegun: JobBegun,
): Promise<RecordedOutcome> {
  const { card, diskName, image, seed, node } = taken;
  const { facts, expectedSha256 } = image;
  const user = nextWorkerUser();
  const inHand = await takeImage(facts, expectedSha256, user);
  const volume = seed ?? facts.bootVolume;
  const edit =
    node && volume ? { request: node, volume: { ...volume, sectorBytes: sectorBytesOf(facts) } } : null;
  try {
    return await runRecordedJob(
      job,
      { card, diskName, image: inHand, facts, finished: null, layout: layoutOf(facts, seed), seed, edit },
      (recordId) => onBegun({ recordId, card }),
    );
  } finally {
    await inHand.stream.close();
  }
}
