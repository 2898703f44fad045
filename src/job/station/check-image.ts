import { basename } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { hashFile } from '../../image/checksum/hash-file.ts';
import { expectedFromSums } from '../../image/checksum/sums.ts';
import { inspectImage } from '../../image/inspect-image.ts';

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
 * @throws CardwrightError `image.*`
 */
export async function checkImage(request: ImageRequest, signal: AbortSignal): Promise<CheckedImage> {
  const expectedSha256 = await expectedDigest(request);
  const packedSha256 = expectedSha256 === null ? null : await hashFile(request.path, { signal });
  if (expectedSha256 !== packedSha256) {
    const facts = { path: request.path, expected: expectedSha256, found: packedSha256 };
    throw new CardwrightError('image.checksum-differs', { card: 'untouched', facts });
  }
  const facts = await inspectImage(request.path, { decode: 'when-needed', signal });
  const refused = facts.findings.find((found) => found.severity === 'refuse' || found.severity === 'fail');
  if (refused)
    throw new CardwrightError(refused.code, {
      card: 'untouched',
      facts: refused.facts,
      findings: facts.findings,
    });
  return { facts: { ...facts, packedSha256 }, expectedSha256 };
}

async function expectedDigest(request: ImageRequest): Promise<string | null> {
  const { sha256, sums, signature, keyring } = request;
  if (sums === null) return sha256;
  return expectedFromSums({ sums, signature, keyring, name: basename(request.path) });
}
