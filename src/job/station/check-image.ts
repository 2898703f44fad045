import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { expectedSha256, requireSha256 } from '../../image/checksum/expected-sha256.ts';
import { hashFile } from '../../image/checksum/hash-file.ts';
import { inspectImage, requireWritableImage } from '../../image/inspect-image.ts';

/** An image with whatever its source gave to check it by. */
export interface ImageRequest {
  path: string;
  sha256: string | null;
  sums: string | null;
  signature: string | null;
  keyring: string | null;
}

export interface CheckedImage {
  facts: ImageFacts;
  /** SHA-256 (hex) that the stored file has, and that the bytes read while writing must have again */
  expectedSha256: string | null;
}

/**
 * Everything that is to be known of an image before a card is touched: its real size, that it is complete, and that
 * its checksum is the one that was promised.
 *
 * @throws CardwrightError `image.*`, with the card's state: untouched
 */
export async function checkImage(request: ImageRequest, signal: AbortSignal): Promise<CheckedImage> {
  try {
    const expected = await expectedSha256({ ...request, image: request.path });
    const packedSha256 = expected ? await hashFile(request.path) : null;
    if (expected && packedSha256) requireSha256(request.path, expected.sha256, packedSha256);
    const facts = await inspectImage(request.path, { decode: 'when-needed', signal });
    requireWritableImage(facts);
    return { facts: { ...facts, packedSha256 }, expectedSha256: expected?.sha256 ?? null };
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
    throw new CardwrightError(error.code, { ...error, card: 'untouched', cause: error });
  }
}
