import { type DigestMap, mibBytes } from '../../contract/job.ts';
import type { Medium } from '../../media/medium.ts';
import { coveredPieces, isAllZero, isEqual, pieceDigest, pieceLength } from './digest-map.ts';
import { runLanes } from './lanes.ts';
import { laneCount, type PieceMemory } from './piece-memory.ts';
import type { Progress } from './progress.ts';

export interface VerifyOrder {
  medium: Medium;
  map: DigestMap;
  /** the first MiB is held back: it must read as zeros */
  headIsOff: boolean;
  memory: PieceMemory;
  progress: Progress;
  checkStop(): void;
}

/** What reading everything back gave: the pieces that differ, in order, with the digest of what was read. */
export interface Mismatch {
  piece: number;
  found: Uint8Array;
}

/**
 * Reads every covered byte from the medium into buffers that carry a mark in every block first (a read that moves
 * nothing, or leaves a block out, must not pass), and compares with the digest map.
 *
 * @throws CardwrightError `media.read-failed` and the like; a difference is not an error here, it is classified
 */
export async function verifyCard(order: VerifyOrder): Promise<Mismatch[]> {
  const { medium, map, memory } = order;
  const wrong: Mismatch[] = [];
  const pieces = coveredPieces(map);
  await runLanes(pieces.length, laneCount, async (at, lane) => {
    order.checkStop();
    const piece = pieces[at] ?? 0;
    const length = pieceLength(map, piece);
    const bytes = memory.lane(lane).subarray(0, length);
    markBlocks(bytes);
    await medium.read(bytes, piece * mibBytes);
    const found = await memory.digest(lane, length);
    const good = piece === 0 && order.headIsOff ? isAllZero(bytes) : isEqual(found, pieceDigest(map, piece));
    if (!good) wrong.push({ piece, found });
    order.progress.add(length);
  });
  return wrong.sort((a, b) => a.piece - b.piece);
}

const wordsPerBlock = 512 / 8;
/** A number whose bytes no text, table or cleared block has. */
const mark = -1.2345678e-300;

/** Spoils the start of each 512-byte block. Filling all of it would take half a core at the speed of fast media. */
function markBlocks(bytes: Uint8Array): void {
  const words = new Float64Array(bytes.buffer, bytes.byteOffset, bytes.length / 8);
  for (let at = 0; at < words.length; at += wordsPerBlock) words[at] = mark;
}
