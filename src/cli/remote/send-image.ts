import { open } from 'node:fs/promises';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { hashFile } from '../../image/checksum/hash-file.ts';
import type { CheckedImage } from '../../job/station/check-image.ts';
import type { DaemonClient } from './daemon-client.ts';

const pieceBytes = 4 * 2 ** 20;

/** Told after each piece. */
export type SendingProgress = (sentBytes: number, totalBytes: number) => void;

/**
 * Sends an image's bytes as they are stored, unless the daemon has them already; what was sent before is not sent again.
 *
 * @returns the SHA-256 (hex) under which the daemon knows it
 * @throws CardwrightError `image.changed`, `daemon.*`, `job.cancelled`
 */
export async function sendImage(
  daemon: DaemonClient,
  { facts }: CheckedImage,
  signal: AbortSignal,
  onProgress: SendingProgress,
): Promise<string> {
  const sha256 = facts.packedSha256 ?? (await hashFile(facts.path));
  const sizeBytes = facts.packedBytes;
  let state = await daemon.beginUpload({ sha256, sizeBytes });
  if (state.isComplete) return sha256;
  const file = await open(facts.path, 'r');
  const buffer = Buffer.alloc(pieceBytes);
  try {
    while (!state.isComplete) {
      if (signal.aborted) throw new CardwrightError('job.cancelled', { card: 'untouched' });
      const { bytesRead } = await file.read(buffer, 0, pieceBytes, state.receivedBytes);
      if (bytesRead === 0) throw new CardwrightError('image.changed', { facts: { path: facts.path } });
      state = await daemon.sendPiece(sha256, state.receivedBytes, buffer.subarray(0, bytesRead));
      onProgress(state.receivedBytes, sizeBytes);
    }
  } finally {
    await file.close();
  }
  return sha256;
}
