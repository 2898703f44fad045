import { createHash } from 'node:crypto';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { mibBytes } from '../contract/job.ts';
import { allocateAligned } from './aligned-memory.ts';
import type { Medium } from './medium.ts';

/** One salted block of the probe and what it should hold. */
export interface ProbePlace {
  offset: number;
  content: Uint8Array;
}

export const probePlaces = 13;
const probeBlockBytes = 4096;

/** Ends of the halves of the claimed size: a card that wraps at one of them has two places in one block. */
const halves = [1, 1 / 2, 1 / 4, 1 / 8, 1 / 16, 1 / 32, 1 / 64];
/** In between, so that a card which forgets past any size is met in several places. */
const between = [0.93, 0.81, 0.67, 0.36, 0.19, 0.09];

/**
 * Chooses places from the far end towards the near one, all past the first MiB. A card that forgets is met at once; one
 * that wraps at a half, quarter … of its claimed size too. One that wraps elsewhere shows only when the places past the
 * image are read again after the whole write, or in the read-back; a small image on it may not show it at all.
 */
export function chooseProbePlaces(sizeBytes: number, blockBytes: number, salt: Uint8Array): ProbePlace[] {
  const unit = Math.max(probeBlockBytes, blockBytes);
  const whole = Math.floor(sizeBytes / unit) * unit;
  const offsets = new Set<number>();
  for (const share of [...halves, ...between]) {
    const offset = Math.floor((whole * share) / unit) * unit - unit;
    if (offset >= mibBytes) offsets.add(offset);
  }
  return [...offsets]
    .sort((a, b) => b - a)
    .map((offset) => ({ offset, content: saltedBlock(salt, offset, unit) }));
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

/**
 * Reads places back.
 *
 * @param when `again`: they read right before, and other places were written since
 * @throws CardwrightError `media.false-size` where what is missing looks like a card smaller than it says,
 * `media.probe-damaged` where it looks like damage in single places
 */
export async function checkProbe(
  medium: Medium,
  places: readonly ProbePlace[],
  when: 'first' | 'again' = 'first',
): Promise<void> {
  const seen: SeenPlace[] = [];
  for (const place of places) {
    const found = allocateAligned(place.content.length).fill(0xa5);
    await medium.read(found, place.offset);
    seen.push({ offset: place.offset, state: placeState(found, place, places) });
  }
  const wrong = seen.filter(({ state }) => state !== 'kept');
  if (wrong.length === 0) return;
  const offset = Math.min(...wrong.map((place) => place.offset));
  const facts = { places: wrong.length, of: places.length, offset };
  if (!looksTooSmall(seen, offset, when)) {
    throw new CardwrightError('media.probe-damaged', { card: 'unbootable', facts });
  }
  throw new CardwrightError('media.false-size', {
    card: 'unbootable',
    facts: { ...facts, likely: likelyCause(wrong) },
  });
}

interface SeenPlace {
  offset: number;
  /** `damaged`: most of it is as written; `zeros`, `other`: it is not; `elsewhere`: it holds another place's bytes */
  state: 'kept' | 'damaged' | 'zeros' | 'other' | 'elsewhere';
}

function placeState(bytes: Uint8Array, place: ProbePlace, places: readonly ProbePlace[]): SeenPlace['state'] {
  const found = sectorsOf(bytes);
  const wanted = sectorsOf(place.content);
  const kept = found.filter((sector, at) => sector === wanted[at]).length;
  if (kept === wanted.length) return 'kept';
  // One sector over and over is a card's last one standing for all that it does not have.
  const isOneOverAndOver = found.every((sector) => sector === found[0]);
  const others = places.filter((other) => other !== place).flatMap(({ content }) => sectorsOf(content));
  if (!isOneOverAndOver && found.some((sector) => others.includes(sector))) return 'elsewhere';
  if (kept > wanted.length / 2) return 'damaged';
  return bytes.every((byte) => byte === 0) ? 'zeros' : 'other';
}

const sectorBytes = 512;

/** A block's sectors as text, for comparing; a card that wraps does so at any sector. */
function sectorsOf(block: Uint8Array): string[] {
  const text = Buffer.from(block.buffer, block.byteOffset, block.length).toString('latin1');
  return Array.from({ length: block.length / sectorBytes }, (_, at) =>
    text.slice(at * sectorBytes, (at + 1) * sectorBytes),
  );
}

/**
 * A card that wraps gives one place's bytes for another's. One that forgets loses every place from its real size on,
 * the first of them perhaps in part. A place that was kept at first and is lost after the image was written lies where
 * the image was written.
 */
function looksTooSmall(seen: readonly SeenPlace[], firstWrong: number, when: 'first' | 'again'): boolean {
  const isLost = ({ state }: SeenPlace) => state !== 'kept' && state !== 'damaged';
  if (seen.some(({ state }) => state === 'elsewhere')) return true;
  if (when === 'again' || !seen.some(isLost)) return seen.some(isLost);
  return seen.every((place) => place.offset <= firstWrong || isLost(place));
}

function likelyCause(wrong: readonly SeenPlace[]): string {
  if (wrong.some(({ state }) => state === 'elsewhere')) return 'it wraps around';
  if (wrong.some(({ state }) => state === 'zeros')) return 'it forgets what lies past its real size';
  return 'it does not keep what is written';
}

/** Clears the places past the image, so that nothing of the probe stays on the card. */
export async function clearProbe(medium: Medium, places: readonly ProbePlace[]): Promise<void> {
  for (const place of places) await medium.write(allocateAligned(place.content.length), place.offset);
  await medium.flush();
}
