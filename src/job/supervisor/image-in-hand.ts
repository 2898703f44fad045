import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { type ImageStream, openImageStream } from '../../image/container/open-image-stream.ts';
import type { WorkerUser } from './worker-user.ts';

/** An image that is open and whose size is known: what a worker is given of it. */
export interface ImageInHand {
  sizeBytes: number;
  stream: ImageStream;
  /**
   * SHA-256 (hex) that the bytes which are really read must have: of the file as it is stored. Null where nobody
   * gave one.
   */
  expectedSha256: string | null;
}

/**
 * Opens an image for the worker. A packed one is decoded by a child of ours that sees the image and a pipe, never the
 * card; its packed bytes are digested on their way where a digest is expected. A raw one is digested by the worker.
 *
 * @throws CardwrightError `image.*`
 */
export async function takeImage(
  facts: ImageFacts,
  expectedSha256: string | null,
  user: WorkerUser | null,
): Promise<ImageInHand> {
  if (facts.sizeBytes === null) throw new Error('the size of the image is not known');
  const hashPacked = facts.container !== 'raw' && expectedSha256 !== null;
  const stream = await openImageStream(facts, { hashPacked, ...user });
  return { sizeBytes: facts.sizeBytes, stream, expectedSha256 };
}

/**
 * Waits for the good end of the decoder and compares what was read with what was expected.
 *
 * @param wholeDigest SHA-256 of a raw image as the worker read it; null for a packed one
 * @throws CardwrightError `image.*` from the decoder, `image.changed`, `job.image-changed`
 */
export async function settleImage(image: ImageInHand, wholeDigest: Uint8Array | null): Promise<void> {
  const end = await image.stream.done;
  if (end instanceof CardwrightError) throw end;
  image.stream.assertUnchanged();
  if (image.expectedSha256 === null) return;
  const found = wholeDigest ? Buffer.from(wholeDigest).toString('hex') : await image.stream.packedSha256;
  if (found !== image.expectedSha256) {
    throw new CardwrightError('job.image-changed', { facts: { expected: image.expectedSha256, found } });
  }
}

/** Rejects as soon as the decoder fails; stays silent while all is well. */
export async function failingDecoder(image: ImageInHand): Promise<never> {
  const end = await image.stream.done;
  if (end instanceof CardwrightError) throw end;
  return new Promise<never>(() => undefined);
}

/** A stream that ended early has its reason in the decoder: that reason says more than the missing bytes. */
export async function explainEarlyEnd(image: ImageInHand, error: unknown): Promise<unknown> {
  if (!(error instanceof CardwrightError) || error.code !== 'job.short-image') return error;
  const end = await image.stream.done;
  return end instanceof CardwrightError ? end : error;
}
