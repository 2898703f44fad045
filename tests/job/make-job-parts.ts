import { createHash } from 'node:crypto';
import type { ImageFeed } from '../../src/job/engine/image-feed.ts';
import { createPieceMemory, type PieceMemory } from '../../src/job/engine/piece-memory.ts';
import type { Progress } from '../../src/job/engine/progress.ts';

/** Bytes that look random and are the same every time: a counter-mode stretch of SHA-256. */
export function patternedBytes(length: number, seed = 'orchard'): Uint8Array {
  const bytes = new Uint8Array(length);
  for (let at = 0; at < length; at += 32) {
    const digest = createHash('sha256').update(`${seed}:${at}`).digest();
    bytes.set(digest.subarray(0, Math.min(32, length - at)), at);
  }
  return bytes;
}

/** A feed from memory that gives at most `most` bytes at a time, as a pipe does. */
export function feedFromBytes(bytes: Uint8Array): ImageFeed {
  let at = 0;
  return {
    async fill(target) {
      const part = bytes.subarray(at, at + target.length);
      target.set(part);
      at += part.length;
      return part.length;
    },
    close: () => undefined,
  };
}

export const noProgress: Progress = { add: () => undefined, end: () => undefined };

export async function withPieceMemory<T>(work: (memory: PieceMemory) => Promise<T>): Promise<T> {
  const memory = createPieceMemory();
  try {
    return await work(memory);
  } finally {
    await memory.close();
  }
}
