import { generateKeyPairSync, randomInt } from 'node:crypto';
import type { HostKeyType } from '../../contract/plan.ts';
import { fingerprintOf } from './fingerprint.ts';
import { keyStringsOf } from './key-strings.ts';
import { encodePrivateKey, encodePublicBlob, encodePublicLine } from './openssh-key.ts';

/** A node's SSH host key. Plain data; `privatePem` is secret and goes to the card, and into a folder that the plan names. */
export interface HostKey {
  type: HostKeyType;
  /** openssh-key-v1, LF, with a final newline */
  privatePem: string;
  /** `ssh-ed25519 BASE64 COMMENT` */
  publicLine: string;
  /** `SHA256:…` */
  fingerprint: string;
}

/** NIST SP 800-57 part 1, table 2: as strong as 128 bits of a symmetric key, as Ed25519 is. */
const rsaBits = 3072;

const makePair = (type: HostKeyType) =>
  type === 'rsa' ? generateKeyPairSync('rsa', { modulusLength: rsaBits }) : generateKeyPairSync('ed25519');

/** Makes a host key. @param comment the node's name */
export function makeHostKey(comment: string, type: HostKeyType = 'ed25519'): HostKey {
  const key = keyStringsOf(makePair(type).privateKey.export({ format: 'jwk' }));
  return {
    type,
    privatePem: encodePrivateKey(key, comment, randomInt(2 ** 32)),
    publicLine: encodePublicLine(key, comment),
    fingerprint: fingerprintOf(encodePublicBlob(key)),
  };
}
