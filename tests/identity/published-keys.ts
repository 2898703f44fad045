/** Keys that others have published, with what ssh-keygen -l of OpenSSH 9.2 says of them. */
import { keyStringsOf } from '../../src/identity/keys/key-strings.ts';

/** RFC 8032 section 7.1, test 1: secret seed and public key. */
export const rfc8032 = {
  seed: Buffer.from('9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60', 'hex'),
  publicKey: Buffer.from('d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a', 'hex'),
};

/** The same as node:crypto holds it (RFC 8037), and with it in the strings of SSH. */
export const rfc8032Strings = keyStringsOf({
  kty: 'OKP',
  d: rfc8032.seed.toString('base64url'),
  x: rfc8032.publicKey.toString('base64url'),
});

/** Its blob: RFC 4253 section 6.6 and RFC 8709 section 4. */
export const rfc8032Line = 'ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAINdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea';
export const rfc8032Fingerprint = 'SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8';

/** RFC 7479 section 4, its example key. */
export const rfc7479Line = 'ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIGPKSUTyz1HwHReFVvD5obVsALAgJRNarH4TRpNePnAS';
