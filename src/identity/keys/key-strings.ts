import type { JsonWebKey } from 'node:crypto';
import type { KeyStrings } from './openssh-key.ts';
import { asMpint } from './ssh-wire.ts';

const bytesOf = (text: string | undefined) => Buffer.from(text ?? '', 'base64url');

/** A private key as node:crypto gives it (RFC 7517, RFC 8037) in the strings of SSH. Ed25519 and RSA alone. */
export function keyStringsOf(key: JsonWebKey): KeyStrings {
  if (key.kty === 'OKP') {
    const publicKey = bytesOf(key.x);
    return {
      sshType: 'ssh-ed25519',
      publicStrings: [publicKey],
      // The seed (RFC 8032 section 5.1.5), then the public half once more.
      privateStrings: [publicKey, Buffer.concat([bytesOf(key.d), publicKey])],
    };
  }
  const number = (text: string | undefined) => asMpint(bytesOf(text));
  const [n, e] = [number(key.n), number(key.e)];
  return {
    sshType: 'ssh-rsa',
    publicStrings: [e, n],
    privateStrings: [n, e, number(key.d), number(key.qi), number(key.p), number(key.q)],
  };
}
