import { createHash } from 'node:crypto';

/** `SHA256:` and the digest of the public-key blob in base64 without padding, as ssh-keygen -l shows it. */
export function fingerprintOf(blob: Uint8Array): string {
  return `SHA256:${createHash('sha256').update(blob).digest('base64').replace(/=+$/, '')}`;
}
