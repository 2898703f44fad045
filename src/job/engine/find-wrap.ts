import { type DigestMap, mibBytes } from '../../contract/job.ts';
import { allocateAligned } from '../../media/aligned-memory.ts';
import type { Medium } from '../../media/medium.ts';
import { roundUp } from './card-head.ts';
import { laneCount } from './piece-memory.ts';
import type { Mismatch } from './verify-card.ts';

/**
 * Whether a card starts over at a real size below what was written. Its beginning then holds what belongs further on,
 * and the same bytes are read there too. Tells it without the image: the cleared head must be zeros, so whatever stands
 * there is foreign; and the damage ends as far from the start as the real size is from the end of what was written, to
 * the MiB. Only where the real size is smaller than what is in flight at a time may the damage end elsewhere.
 *
 * @param wrong mismatching pieces in order, with the cleared head among them
 * @throws CardwrightError `media.*`
 */
export async function startsOver(
  medium: Medium,
  map: DigestMap,
  wrong: readonly Mismatch[],
): Promise<boolean> {
  let run = 0;
  while (wrong[run]?.piece === run) run++;
  if (run === 0) return false;
  const head = allocateAligned(Math.min(mibBytes, map.sizeBytes));
  await medium.read(head, 0);
  const at = findTellingBlock(head, medium.blockBytes);
  if (at < 0) return false;
  const block = Buffer.from(head.subarray(at, at + medium.blockBytes));
  const shortest = map.sizeBytes - run * mibBytes;
  return (
    (await standsBetween(medium, block, at + shortest, at + shortest + mibBytes)) ||
    (await standsBetween(medium, block, at + mibBytes, at + laneCount * mibBytes))
  );
}

/** Looks for a block at whole blocks of a stretch, a MiB at a time. */
async function standsBetween(medium: Medium, block: Buffer, from: number, to: number): Promise<boolean> {
  const end = Math.min(medium.sizeBytes, roundUp(to, block.length) + block.length);
  const window = allocateAligned(mibBytes);
  for (let start = Math.max(mibBytes, roundUp(from, block.length)); start < end; start += mibBytes) {
    const part = window.subarray(0, Math.min(mibBytes, end - start));
    await medium.read(part, start);
    for (let place = 0; place < part.length; place += block.length) {
      if (block.equals(part.subarray(place, place + block.length))) return true;
    }
  }
  return false;
}

/** A block of more than one byte value: one that is all alike stands in many places. */
function findTellingBlock(bytes: Uint8Array, blockBytes: number): number {
  for (let at = 0; at < bytes.length; at += blockBytes) {
    const block = bytes.subarray(at, at + blockBytes);
    if (block.some((byte) => byte !== block[0])) return at;
  }
  return -1;
}
