import { createHash } from 'node:crypto';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { allocateAligned } from './aligned-memory.ts';
import type { Medium } from './medium.ts';

/** One salted block of the probe and what it should hold. */
export interface ProbePlace {
  offset: number;
  content: Uint8Array;
}

export const probePlaces = 13;
const probeBlockBytes = 4096;

/**
 * Chooses places from the far end towards the near one: the last block, then halving distances, so that a card
 * which wraps at any power-of-two fraction of its claimed size, or forgets beyond its real one, is met several times.
 * All lie past the first MiB.
 */
export function chooseProbePlaces(sizeBytes: number, blockBytes: number, salt: Uint8Array): ProbePlace[] {
  const unit = Math.max(probeBlockBytes, blockBytes);
  const floor = 2 ** 20;
  const offsets = new Set<number>();
  const last = Math.floor(sizeBytes / unit) * unit - unit;
  const spread = [1, 0.93, 0.81, 0.67, 0.55, 0.47, 0.36, 0.27, 0.19, 0.12, 0.07, 0.03, 0.01];
  for (const fraction of spread) {
    const offset = Math.floor((last * fraction) / unit) * unit;
    if (offset >= floor) offsets.add(offset);
  }
  return [...offsets].map((offset) => ({ offset, content: saltedBlock(salt, offset, unit) }));
}

/** A block that no other place and no other probe holds: a counter-mode stretch of SHA-256 over salt and offset. */
function saltedBlock(salt: Uint8Array, offset: number, length: number): Uint8Array {
  const block = new Uint8Array(length);
  for (let at = 0; at < length; at += 32) {
    const digest = createHash('sha256').update(salt).update(`${offset}:${at}`).digest();
    block.set(digest.subarray(0, Math.min(32, length - at)), at);
  }
  return block;
}

/** Writes all places, far to near, and flushes; about 50 KB. */
export async function writeProbe(medium: Medium, places: readonly ProbePlace[]): Promise<void> {
  for (const place of places) {
    const buffer = allocateAligned(place.content.length);
    buffer.set(place.content);
    await medium.write(buffer, place.offset);
  }
  await medium.flush();
}

/** Reads places back; throws `media.false-size` when one does not hold what was written there. */
export async function checkProbe(medium: Medium, places: readonly ProbePlace[]): Promise<void> {
  const wrong: ProbePlace[] = [];
  let zeros = 0;
  let elsewhere = 0;
  for (const place of places) {
    const buffer = allocateAligned(place.content.length).fill(0xa5);
    await medium.read(buffer, place.offset);
    if (Buffer.compare(buffer, place.content) === 0) continue;
    wrong.push(place);
    if (buffer.every((byte) => byte === 0)) zeros++;
    if (places.some((other) => other !== place && Buffer.compare(buffer, other.content) === 0)) elsewhere++;
  }
  if (wrong.length === 0) return;
  const likely =
    elsewhere > 0
      ? 'it wraps around'
      : zeros > 0
        ? 'it forgets what lies past its real size'
        : 'it does not keep what is written';
  throw new CardwrightError('media.false-size', {
    card: 'unbootable',
    facts: {
      places: wrong.length,
      of: places.length,
      offset: Math.min(...wrong.map((place) => place.offset)),
      likely,
    },
  });
}

/** Clears the places past the image, so that nothing of the probe stays on the card. */
export async function clearProbe(medium: Medium, places: readonly ProbePlace[]): Promise<void> {
  for (const place of places) await medium.write(allocateAligned(place.content.length), place.offset);
  await medium.flush();
}
