import { createHash } from 'node:crypto';

/** Algorithm numbers: RFC 4255 section 3.1.1 (RSA), RFC 6594 section 5 (ECDSA), RFC 7479 section 2 (Ed25519). */
function algorithmOf(sshType: string): number | null {
  if (sshType === 'ssh-rsa') return 1;
  if (sshType.startsWith('ecdsa-')) return 3;
  return sshType === 'ssh-ed25519' ? 4 : null;
}

/** Fingerprint types: RFC 4255 section 3.1.2, RFC 6594 section 5. */
const digests = [
  { number: 1, name: 'sha1' },
  { number: 2, name: 'sha256' },
];

/**
 * DNS records of a host key, `NAME IN SSHFP ALGORITHM TYPE HEX`, over the whole blob, one for each digest; none for
 * key types that have no number there.
 */
export function makeSshfpRecords(name: string, publicLine: string): string[] {
  const [sshType = '', base64 = ''] = publicLine.split(' ');
  const algorithm = algorithmOf(sshType);
  if (algorithm === null) return [];
  const blob = Buffer.from(base64, 'base64');
  return digests.map(
    (digest) =>
      `${name} IN SSHFP ${algorithm} ${digest.number} ${createHash(digest.name).update(blob).digest('hex')}`,
  );
}
