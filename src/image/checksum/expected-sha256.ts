import path from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { findSum, parseSha256, readSums } from './read-sums.ts';
import { isClearSigned, readSmallFile, verifySignature } from './verify-signature.ts';

export interface ChecksumOrder {
  /** path of the image; its file name is looked up in the checksum file */
  image: string;
  sha256?: string | null;
  sums?: string | null;
  signature?: string | null;
  keyring?: string | null;
}

export interface ExpectedSha256 {
  /** 64 lower-case hex digits, of the file as stored */
  sha256: string;
  /** what it rests on */
  from: 'given' | 'sums' | 'signed sums';
  /** primary keys that signed the checksum file */
  fingerprints: string[];
}

/** The checksum file as a text that may be used: what a signature covers, or all of it where none is asked for. */
async function trustedText(file: string, signature: string | null, keyring: string | null) {
  if (keyring !== null) return verifySignature({ file, signature, keyring });
  const text = readSmallFile(file).toString('utf8');
  if (isClearSigned(text)) throw new CardwrightError('image.sums-need-keyring', { facts: { file } });
  return { text, fingerprints: [] };
}

/**
 * The digest that the image must have, from `--sha256` or from a checksum file, signed or not. Given both, they have
 * to agree. Null where neither was given.
 * @throws CardwrightError image.checksum-malformed, image.checksum-differs, image.sums-*, image.signature-*
 */
export async function expectedSha256(order: ChecksumOrder): Promise<ExpectedSha256 | null> {
  const given = order.sha256 ? parseSha256(order.sha256) : null;
  if (!order.sums) return given ? { sha256: given, from: 'given', fingerprints: [] } : null;
  if (order.signature && !order.keyring) {
    throw new CardwrightError('image.signature-without-keyring', { facts: { file: order.sums } });
  }
  const { text, fingerprints } = await trustedText(
    order.sums,
    order.signature ?? null,
    order.keyring ?? null,
  );
  const sha256 = findSum(readSums(text, order.sums), path.basename(order.image), order.sums);
  if (given) requireSha256(order.image, given, sha256);
  return { sha256, from: order.keyring ? 'signed sums' : 'sums', fingerprints };
}

/** @throws CardwrightError image.checksum-differs */
export function requireSha256(image: string, expected: string, found: string): void {
  if (expected === found) return;
  throw new CardwrightError('image.checksum-differs', { facts: { path: image, expected, found } });
}
