import { createHash, createHmac, randomBytes } from 'node:crypto';
import type { NodeFile } from '../contract/identity.ts';

/** One file that was put into the boot volume. */
export interface ListedFile {
  path: string;
  sizeBytes: number;
  /** lower-case hex; null where the content is secret */
  sha256: string | null;
  /** keyed digest of a secret content, lower-case hex: without the key, which the record has, nothing can be guessed */
  hmac: string | null;
}

/** `gone`: there is no such file. `unproven`: as long as it was, and the key to say more is not here. */
export type FileState = 'as-written' | 'changed' | 'gone' | 'unproven';

/** A new key for the digests of one writing. */
export function newFilesKey(): Uint8Array {
  return randomBytes(32);
}

/** HMAC-SHA-256 (RFC 2104) over the path, a zero byte and the content: no file passes for another. */
function keyedDigest(path: string, content: Uint8Array, key: Uint8Array): string {
  return createHmac('sha256', key).update(path).update('\0').update(content).digest('hex');
}

/** The digest of a secret is a way to guess it: secret files get a keyed one. */
export function listFile({ path, content, secret }: NodeFile, key: Uint8Array): ListedFile {
  return {
    path,
    sizeBytes: content.length,
    sha256: secret ? null : createHash('sha256').update(content).digest('hex'),
    hmac: secret ? keyedDigest(path, content, key) : null,
  };
}

/** @param content null where there is no such file */
export function compareFile(
  listed: ListedFile,
  content: Uint8Array | null,
  key: Uint8Array | null,
): FileState {
  if (content === null) return 'gone';
  if (content.length !== listed.sizeBytes) return 'changed';
  if (listed.sha256 !== null) {
    return createHash('sha256').update(content).digest('hex') === listed.sha256 ? 'as-written' : 'changed';
  }
  if (key === null || listed.hmac === null) return 'unproven';
  return keyedDigest(listed.path, content, key) === listed.hmac ? 'as-written' : 'changed';
}
