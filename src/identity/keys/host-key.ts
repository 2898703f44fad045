import { generateKeyPairSync, randomInt } from 'node:crypto';
import { fingerprintOf } from './fingerprint.ts';
import { encodePrivateKey, encodePublicBlob, encodePublicLine } from './openssh-key.ts';

/** A node's SSH host key as made on the station. Plain data; `privatePem` is secret and is kept nowhere but on the card. */
export interface HostKey {
  /** openssh-key-v1, LF, with a final newline */
  privatePem: string;
  /** `ssh-ed25519 BASE64 COMMENT` */
  publicLine: string;
  /** `SHA256:…` */
  fingerprint: string;
}

/** Makes an Ed25519 host key. @param comment the node's name */
export function makeHostKey(comment: string): HostKey {
  const { privateKey } = generateKeyPairSync('ed25519');
  const { d = '', x = '' } = privateKey.export({ format: 'jwk' });
  const pair = { seed: Buffer.from(d, 'base64url'), publicKey: Buffer.from(x, 'base64url') };
  return {
    privatePem: encodePrivateKey(pair, comment, randomInt(2 ** 32)),
    publicLine: encodePublicLine(pair.publicKey, comment),
    fingerprint: fingerprintOf(encodePublicBlob(pair.publicKey)),
  };
}

/**
 * A known_hosts line (sshd(8), "SSH_KNOWN_HOSTS FILE FORMAT"): names and addresses, separated by commas, then the
 * key without its comment. A port other than 22 makes every name `[name]:port`.
 */
export function makeKnownHostsLine(names: readonly string[], publicLine: string, port = 22): string {
  const places = names.map((name) => (port === 22 ? name : `[${name}]:${port}`));
  const [type = '', base64 = ''] = publicLine.split(' ');
  return `${places.join(',')} ${type} ${base64}`;
}
