import type { ChangedRange } from '../../contract/blocks.ts';
import { type DigestMap, mibBytes } from '../../contract/job.ts';
import { allocateAligned } from '../../media/aligned-memory.ts';
import type { Medium } from '../../media/medium.ts';
import { roundUp } from './card-head.ts';
import type { CardSource } from './card-source.ts';
import { setPieceDigest, sha256 } from './digest-map.ts';

/**
 * Writes the changed sectors of a volume, in the order given, and brings the digest map up to date. What lies in the
 * held-back head is changed there and not written. A crash inside leaves a card whose first MiB reads as zeros.
 */
export async function applyChanges(
  changes: readonly ChangedRange[],
  card: { medium: Medium; map: DigestMap; source: CardSource; headIsHeld: boolean },
): Promise<void> {
  for (const change of changes) {
    for (const part of splitByPiece(change)) await applyToPiece(part, card);
  }
  await card.medium.flush();
}

interface PiecePart {
  piece: number;
  from: number;
  data: Uint8Array;
}

function splitByPiece(change: ChangedRange): PiecePart[] {
  const parts: PiecePart[] = [];
  for (let done = 0; done < change.data.length; ) {
    const at = change.offset + done;
    const piece = Math.floor(at / mibBytes);
    const from = at - piece * mibBytes;
    const data = change.data.subarray(done, done + mibBytes - from);
    parts.push({ piece, from, data });
    done += data.length;
  }
  return parts;
}

async function applyToPiece(part: PiecePart, card: Parameters<typeof applyChanges>[1]): Promise<void> {
  const { medium, map, source } = card;
  const held = part.piece === 0 && card.headIsHeld;
  const content = held ? source.piece(0) : Uint8Array.from(source.piece(part.piece));
  content.set(part.data, part.from);
  setPieceDigest(map, part.piece, sha256(content));
  if (held) return;
  const first = Math.floor(part.from / medium.blockBytes) * medium.blockBytes;
  const end = Math.min(content.length, roundUp(part.from + part.data.length, medium.blockBytes));
  const aligned = allocateAligned(end - first);
  aligned.set(content.subarray(first, end));
  await medium.write(aligned, part.piece * mibBytes + first);
  source.keep(part.piece, content);
}
