import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type DigestMap, mibBytes } from '../../contract/job.ts';
import type { Medium } from '../../media/medium.ts';
import { roundUp } from './card-head.ts';
import { createDigestMap, pieceCount, setPieceDigest } from './digest-map.ts';
import type { ImageFeed } from './image-feed.ts';
import { createTurnstile, runLanes } from './lanes.ts';
import { laneCount, type PieceMemory } from './piece-memory.ts';
import type { Progress } from './progress.ts';

export interface WriteOrder {
  /** null: nothing is written, the image is only digested */
  medium: Medium | null;
  feed: ImageFeed;
  imageBytes: number;
  blockBytes: number;
  /** what the last write is rounded up to, with zeros: the block, or a whole piece where more follows behind */
  roundedTo?: number;
  /** true where the digest of the whole image is wanted as well */
  digestWhole: boolean;
  memory: PieceMemory;
  progress: Progress;
  /** throws when the job was cancelled */
  checkStop(): void;
}

export interface Written {
  map: DigestMap;
  /** the first piece, held back in memory */
  head: Uint8Array;
  /** zeros added to fill the last block */
  paddedBytes: number;
  wholeDigest: Uint8Array | null;
}

/**
 * Image → ring of page-aligned pieces → digests beside writes, several writes in flight. The first MiB stays in
 * memory. A crash inside leaves a card whose first MiB reads as zeros.
 *
 * @throws CardwrightError `job.short-image` or `job.long-image` when the feed does not hold `imageBytes`; `media.*`
 */
export async function writeImage(order: WriteOrder): Promise<Written> {
  const { feed, memory, imageBytes, medium } = order;
  const unit = order.roundedTo ?? order.blockBytes;
  const map = createDigestMap(roundUp(imageBytes, unit));
  const takeTurn = createTurnstile();
  const whole = order.digestWhole ? memory.stream() : null;
  let head: Uint8Array = new Uint8Array();

  async function fetch(piece: number, lane: number): Promise<void> {
    const wanted = Math.min(mibBytes, imageBytes - piece * mibBytes);
    const got = await feed.fill(memory.lane(lane).subarray(0, wanted));
    if (got < wanted) throw imageEndsAt(piece * mibBytes + got, imageBytes);
  }

  await runLanes(pieceCount(imageBytes), laneCount, async (piece, lane) => {
    order.checkStop();
    const imageLength = Math.min(mibBytes, imageBytes - piece * mibBytes);
    const length = roundUp(imageLength, unit);
    const streamed = await takeTurn(async () => {
      await fetch(piece, lane);
      return { done: whole?.update(lane, imageLength) };
    });
    const bytes = memory.lane(lane).subarray(0, length);
    bytes.fill(0, imageLength);
    if (piece === 0) head = Uint8Array.from(bytes);
    const [digest] = await Promise.all([
      memory.digest(lane, length),
      piece > 0 && medium ? medium.write(bytes, piece * mibBytes) : undefined,
      streamed.done,
    ]);
    setPieceDigest(map, piece, digest);
    order.progress.add(imageLength);
  });

  await expectEnd(feed, imageBytes);
  return {
    map,
    head,
    paddedBytes: roundUp(imageBytes, order.blockBytes) - imageBytes,
    wholeDigest: whole ? await whole.finish() : null,
  };
}

async function expectEnd(feed: ImageFeed, imageBytes: number): Promise<void> {
  if ((await feed.fill(new Uint8Array(1))) === 0) return;
  throw new CardwrightError('job.long-image', { facts: { expected: imageBytes } });
}

function imageEndsAt(found: number, expected: number): CardwrightError {
  return new CardwrightError('job.short-image', { facts: { expected, found } });
}
