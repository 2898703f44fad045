import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type DigestMap, mibBytes } from '../../contract/job.ts';
import { allocateAligned } from '../../media/aligned-memory.ts';
import type { Medium } from '../../media/medium.ts';
import { isCovered, isEqual, pieceCount, pieceDigest, pieceLength, sha256 } from './digest-map.ts';
import type { Mismatch } from './verify-card.ts';

const keptPieces = 24;

/** A card as bytes at any place, whole pieces at a time. */
export interface CardSource extends ByteSource {
  /** the whole piece, as the card should hold it; valid until the next call */
  piece(index: number): Uint8Array;
  /** replaces a piece in the cache after it was changed on the card */
  keep(index: number, content: Uint8Array): void;
}

/**
 * Reads a card through its digest map: a piece is handed on only if its digest still matches. The held-back head
 * stands in for the first piece.
 *
 * @param onMismatch told of that piece, for whoever classifies the damage
 * @throws CardwrightError `job.mismatch` on the first piece that differs; `media.*`
 */
export function createCardSource(
  medium: Medium,
  map: DigestMap,
  head: () => Uint8Array | null,
  onMismatch: (mismatch: Mismatch) => void = () => undefined,
): CardSource {
  const cache = new Map<number, Uint8Array>();

  function keep(index: number, content: Uint8Array): void {
    cache.delete(index);
    cache.set(index, content);
    for (const oldest of cache.keys()) {
      if (cache.size <= keptPieces) break;
      cache.delete(oldest);
    }
  }

  function piece(index: number): Uint8Array {
    const held = index === 0 ? head() : null;
    if (held) return held;
    const cached = cache.get(index);
    if (cached) return cached;
    if (!isCovered(map, index)) {
      const facts = { offset: index * mibBytes, length: pieceLength(map, index) };
      throw new CardwrightError('volume.out-of-bounds', { facts });
    }
    const content = allocateAligned(pieceLength(map, index)).fill(0xa5);
    medium.readNow(content, index * mibBytes);
    const found = sha256(content);
    if (!isEqual(found, pieceDigest(map, index))) {
      onMismatch({ piece: index, found });
      throw new CardwrightError('job.mismatch', {
        card: 'unbootable',
        facts: { places: 1, bytes: content.length, offset: index * mibBytes, partition: 0 },
      });
    }
    keep(index, content);
    return content;
  }

  return {
    sizeBytes: map.sizeBytes,
    piece,
    keep,
    read: (offset, length) => readPieces(piece, map, offset, length),
  };
}

function readPieces(
  piece: (index: number) => Uint8Array,
  map: DigestMap,
  offset: number,
  length: number,
): Uint8Array {
  const target = new Uint8Array(length);
  for (let done = 0; done < length; ) {
    const at = offset + done;
    const index = Math.floor(at / mibBytes);
    if (index >= pieceCount(map.sizeBytes)) {
      throw new CardwrightError('volume.out-of-bounds', { facts: { offset: at, length: length - done } });
    }
    const from = at - index * mibBytes;
    // What nobody wrote is nobody's to look at: it reads as zeros, whatever an older card left there.
    const whole = isCovered(map, index) ? piece(index) : new Uint8Array(pieceLength(map, index));
    const part = whole.subarray(from, from + length - done);
    if (part.length === 0)
      throw new CardwrightError('volume.out-of-bounds', { facts: { offset: at, length: length - done } });
    target.set(part, done);
    done += part.length;
  }
  return target;
}

/** A card without a digest map (one found in a drawer): bytes as they come, in whole blocks, with a small cache. */
export function createPlainSource(medium: Medium): ByteSource {
  const cache = new Map<number, Uint8Array>();
  const chunkBytes = 65_536;
  const chunk = (index: number): Uint8Array => {
    const cached = cache.get(index);
    if (cached) return cached;
    const content = allocateAligned(Math.min(chunkBytes, medium.sizeBytes - index * chunkBytes));
    medium.readNow(content, index * chunkBytes);
    if (cache.size > 256) cache.clear();
    cache.set(index, content);
    return content;
  };
  return {
    sizeBytes: medium.sizeBytes,
    read(offset, length) {
      if (offset < 0 || offset + length > medium.sizeBytes) {
        throw new CardwrightError('volume.out-of-bounds', { facts: { offset, length } });
      }
      const target = new Uint8Array(length);
      for (let done = 0; done < length; ) {
        const index = Math.floor((offset + done) / chunkBytes);
        const from = offset + done - index * chunkBytes;
        const part = chunk(index).subarray(from, from + length - done);
        target.set(part, done);
        done += part.length;
      }
      return target;
    },
  };
}
