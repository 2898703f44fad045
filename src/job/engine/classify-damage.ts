import type { DamagedRange, DamageKind, DigestMap, ImageLayout } from '../../contract/job.ts';
import { mibBytes } from '../../contract/job.ts';
import { allocateAligned } from '../../media/aligned-memory.ts';
import type { Medium } from '../../media/medium.ts';
import { digestBytes, isAllZero, isEqual, pieceLength, sha256 } from './digest-map.ts';
import { startsOver } from './find-wrap.ts';
import type { Mismatch } from './verify-card.ts';

const rereads = 3;
/** Reading a few damaged pieces again tells what is wrong; reading thousands would only wear the card. */
const mostReread = 16;

export interface Damage {
  kind: DamageKind;
  ranges: DamagedRange[];
  /** bytes in all ranges */
  bytes: number;
}

/** What a piece should hold, where it can still be told (a raw image's descriptor); null otherwise. */
export type ExpectedPiece = (piece: number) => Promise<Uint8Array | null>;

/** Mismatches with what is known of the card they were found on. */
export interface DamageCase {
  medium: Medium;
  map: DigestMap;
  /** in the order of the pieces */
  wrong: readonly Mismatch[];
  /** the first MiB is held back and should read as zeros */
  headIsOff: boolean;
  layout: ImageLayout;
  expectedPiece: ExpectedPiece;
}

/**
 * Reads mismatching pieces again to say what kind of damage it is. It never passes a card: whatever the second
 * reading gives, the job has failed.
 *
 * @throws CardwrightError `media.*` where a piece cannot be read again
 */
export async function classifyDamage(damage: DamageCase): Promise<Damage> {
  const { medium, map, wrong, headIsOff, layout } = damage;
  const ranges: DamagedRange[] = [];
  const kinds: DamageKind[] = [];
  for (const [at, mismatch] of wrong.entries()) {
    const offset = mismatch.piece * mibBytes;
    const length = pieceLength(map, mismatch.piece);
    if (at >= mostReread) {
      ranges.push(place(offset, length, layout));
      continue;
    }
    const content = allocateAligned(length);
    const stable = await readsTheSame(medium, content, mismatch);
    const isClearedHead = headIsOff && mismatch.piece === 0;
    const expected = isClearedHead ? new Uint8Array(length) : await damage.expectedPiece(mismatch.piece);
    kinds.push(stable ? stableKind(content, mismatch.piece, expected, map) : 'unstable-reads');
    const differing = expected ? differingStretch(content, expected, medium.blockBytes) : null;
    const { from, to } = differing ?? { from: 0, to: length };
    ranges.push(place(offset + from, to - from, layout));
  }
  if (headIsOff && !kinds.includes('unstable-reads') && (await startsOver(medium, map, wrong)))
    kinds.push('wrapped-capacity');
  return {
    kind: worstKind(kinds, ranges, map),
    ranges,
    bytes: ranges.reduce((sum, range) => sum + range.length, 0),
  };
}

async function readsTheSame(medium: Medium, content: Uint8Array, mismatch: Mismatch): Promise<boolean> {
  let same = true;
  for (let again = 0; again < rereads; again++) {
    content.fill(0x5a);
    await medium.read(content, mismatch.piece * mibBytes);
    same &&= isEqual(sha256(content), mismatch.found);
  }
  return same;
}

function stableKind(
  content: Uint8Array,
  piece: number,
  expected: Uint8Array | null,
  map: DigestMap,
): DamageKind {
  if (holdsAnotherPiece(content, piece, map)) return 'wrapped-capacity';
  if (isAllZero(content)) return 'dropped-writes';
  if (!expected) return 'stable-damage';
  const { zeroedBlocks, foreignBlocks, touchedBlocks } = compareBlocks(content, expected);
  if (zeroedBlocks > 0 && zeroedBlocks === touchedBlocks) return 'dropped-writes';
  return foreignBlocks > 0 && foreignBlocks === touchedBlocks ? 'stale-data' : 'stable-damage';
}

function holdsAnotherPiece(content: Uint8Array, piece: number, map: DigestMap): boolean {
  if (isAllZero(content)) return false;
  const found = sha256(content);
  for (let at = 0; at < map.digests.length; at += digestBytes) {
    if (at !== piece * digestBytes && isEqual(found, map.digests.subarray(at, at + digestBytes))) return true;
  }
  return false;
}

const smallestBlock = 512;

/** Blocks that differ; of these, those that read as zeros, and those that have little in common with what was written. */
function compareBlocks(content: Uint8Array, expected: Uint8Array) {
  const counts = { touchedBlocks: 0, zeroedBlocks: 0, foreignBlocks: 0 };
  for (let at = 0; at < content.length; at += smallestBlock) {
    const found = content.subarray(at, at + smallestBlock);
    const wanted = expected.subarray(at, at + smallestBlock);
    if (isEqual(found, wanted)) continue;
    counts.touchedBlocks++;
    if (isAllZero(found)) counts.zeroedBlocks++;
    let differing = 0;
    for (let i = 0; i < found.length; i++) if (found[i] !== wanted[i]) differing++;
    if (differing > smallestBlock / 8) counts.foreignBlocks++;
  }
  return counts;
}

function differingStretch(content: Uint8Array, expected: Uint8Array, blockBytes: number) {
  let from = 0;
  while (from < content.length && content[from] === expected[from]) from++;
  if (from >= content.length) return null;
  let to = content.length;
  while (content[to - 1] === expected[to - 1]) to--;
  return { from: Math.floor(from / blockBytes) * blockBytes, to: Math.ceil(to / blockBytes) * blockBytes };
}

/** Dropped writes that reach to the end of what was written are a card that forgets past its real size. */
function worstKind(
  kinds: readonly DamageKind[],
  ranges: readonly DamagedRange[],
  map: DigestMap,
): DamageKind {
  const order: DamageKind[] = [
    'unstable-reads',
    'wrapped-capacity',
    'dropped-writes',
    'stale-data',
    'stable-damage',
  ];
  const kind = order.find((candidate) => kinds.includes(candidate)) ?? 'stable-damage';
  const last = ranges.at(-1);
  const reachesEnd = last !== undefined && last.offset + last.length >= map.sizeBytes && ranges.length > 1;
  return kind === 'dropped-writes' && reachesEnd ? 'forgotten-capacity' : kind;
}

function place(offset: number, length: number, layout: ImageLayout): DamagedRange {
  const home = layout.find((part) => offset >= part.startByte && offset < part.startByte + part.sizeBytes);
  return { offset, length, partition: home?.number ?? 0 };
}
