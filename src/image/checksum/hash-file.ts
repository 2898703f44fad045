import { createHash } from 'node:crypto';
import fs from 'node:fs';
import { promisify } from 'node:util';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type ImageSource, openSource } from '../container/open-source.ts';

const read = promisify(fs.read);
const pieceBytes = 2 ** 20;

export type HashProgress = (doneBytes: number, totalBytes: number) => void;

/**
 * SHA-256 (FIPS 180-4) of an open file, as hex. Read at positions: the position of the descriptor stays.
 * @throws CardwrightError image.unreadable; image.decoding-stopped where `signal` ends it
 */
export async function hashSource(
  source: ImageSource,
  signal?: AbortSignal,
  onProgress?: HashProgress,
): Promise<string> {
  const hash = createHash('sha256');
  const buffer = Buffer.alloc(pieceBytes);
  const { path, sizeBytes, fd } = source;
  for (let at = 0; at < sizeBytes; ) {
    if (signal?.aborted) throw new CardwrightError('image.decoding-stopped');
    const { bytesRead } = await read(fd, buffer, 0, Math.min(pieceBytes, sizeBytes - at), at);
    if (bytesRead === 0) {
      throw new CardwrightError('image.unreadable', { facts: { path, why: `it ends at byte ${at}` } });
    }
    hash.update(buffer.subarray(0, bytesRead));
    at += bytesRead;
    onProgress?.(at, sizeBytes);
  }
  return hash.digest('hex');
}

/** SHA-256 of a regular file, as hex. Throws what `openSource` throws, and `image.changed`. */
export async function hashFile(path: string, onProgress?: HashProgress): Promise<string> {
  const source = openSource(path);
  try {
    const digest = await hashSource(source, undefined, onProgress);
    source.assertUnchanged();
    return digest;
  } finally {
    source.close();
  }
}
