import { createPrivateKey, createPublicKey, type JsonWebKey, sign, verify } from 'node:crypto';
import type { HostKeyType } from '../../contract/plan.ts';
import { fingerprintOf } from './fingerprint.ts';
import type { HostKey } from './host-key.ts';
import { firstLine, lastLine, magic, wrapPrivateKey } from './openssh-key.ts';
import { checkBlob } from './public-key.ts';
import { decodeStrings, takeString } from './ssh-wire.ts';

export type PrivateKeyResult = { ok: true; key: HostKey } | { ok: false; reason: string };

interface Body {
  blob: Buffer;
  secret: Buffer;
}

const damaged = 'it is damaged or cut short';
const hostTypes: Record<string, HostKeyType> = { 'ssh-ed25519': 'ed25519', 'ssh-rsa': 'rsa' };
const text = (bytes: Uint8Array) => Buffer.from(bytes).toString('base64url');

/** The bytes between the two lines, or why there are none. */
function unwrap(pem: string): Buffer | string {
  const lines = pem.trim().split(/\r?\n/);
  if (lines[0] !== firstLine) {
    return pem.includes('PRIVATE KEY')
      ? 'it is in an older format; ssh-keygen -p -f FILE writes it in the present one'
      : 'it is no private key of SSH';
  }
  const base64 = lines.slice(1, -1).join('');
  return lines.at(-1) === lastLine && /^[A-Za-z0-9+/]+={0,2}$/.test(base64)
    ? Buffer.from(base64, 'base64')
    : damaged;
}

/** The outer part (OpenSSH PROTOCOL.key, 1). */
function openBody(bytes: Buffer): Body | string {
  if (bytes.subarray(0, magic.length).toString('latin1') !== magic) return damaged;
  const cipher = takeString(bytes, magic.length);
  const kdf = cipher && takeString(bytes, cipher.end);
  const options = kdf && takeString(bytes, kdf.end);
  if (!options || options.end + 4 > bytes.length) return damaged;
  if (cipher.content.toString('latin1') !== 'none') {
    return 'a passphrase protects it, and nobody is there to type it; ssh-keygen -p -f FILE takes it off';
  }
  if (bytes.readUInt32BE(options.end) !== 1) return 'it holds other than one key';
  const blob = takeString(bytes, options.end + 4);
  const secret = blob && takeString(bytes, blob.end);
  return blob && secret?.end === bytes.length ? { blob: blob.content, secret: secret.content } : damaged;
}

/** The key's numbers from the inner part (the same, 3): two equal check numbers, the key, a comment, 1, 2, 3… to a block. */
function readSecret(secret: Buffer): { jwk: JsonWebKey; comment: string } | string {
  if (secret.length < 8 || secret.readUInt32BE(0) !== secret.readUInt32BE(4)) return damaged;
  const type = takeString(secret, 8);
  if (!type) return damaged;
  const fields: Buffer[] = [];
  const wanted = { 'ssh-ed25519': 3, 'ssh-rsa': 7 }[type.content.toString('latin1')] ?? 0;
  let at = type.end;
  for (let count = 0; count < wanted; count++) {
    const field = takeString(secret, at);
    if (!field) return damaged;
    fields.push(field.content);
    at = field.end;
  }
  if (!secret.subarray(at).every((byte, index) => byte === index + 1)) return damaged;
  const comment = fields.at(-1)?.toString('utf8') ?? '';
  if (wanted === 3) {
    const [x = Buffer.alloc(0), both = Buffer.alloc(0)] = fields;
    if (x.length !== 32 || both.length !== 64 || !both.subarray(32).equals(x)) return damaged;
    return { jwk: { kty: 'OKP', crv: 'Ed25519', d: text(both.subarray(0, 32)), x: text(x) }, comment };
  }
  const [n, e, d, qi, p, q] = fields.map(unsigned);
  if (!n || !e || !d || !qi || !p || !q) return damaged;
  return { jwk: { kty: 'RSA', n, e, d, qi, p, q, ...exponents(d, p, q) }, comment };
}

const unsigned = (number: Buffer) => text(number[0] === 0 ? number.subarray(1) : number);

/** What JSON writes of an RSA key and SSH leaves out: d modulo p-1 and q-1 (RFC 7518 section 6.3.2). */
function exponents(d: string, p: string, q: string): { dp: string; dq: string } {
  const asNumber = (number: string) => BigInt(`0x0${Buffer.from(number, 'base64url').toString('hex')}`);
  const modulo = (prime: string) => {
    const below = asNumber(prime) - 1n;
    const hex = (below > 0n ? asNumber(d) % below : 0n).toString(16);
    return text(Buffer.from(hex.length % 2 === 0 ? hex : `0${hex}`, 'hex'));
  };
  return { dp: modulo(p), dq: modulo(q) };
}

/** Do the halves belong together? What the private one signs, the public one must find good. */
function isPair(jwk: JsonWebKey, [, first = Buffer.alloc(0), second]: Buffer[]): boolean {
  const publicJwk =
    jwk.kty === 'OKP'
      ? { kty: 'OKP', crv: 'Ed25519', x: text(first) }
      : { kty: 'RSA', e: unsigned(first), n: unsigned(second ?? Buffer.alloc(0)) };
  const hash = jwk.kty === 'OKP' ? null : 'sha256';
  const message = Buffer.from('one pair');
  try {
    const signature = sign(hash, message, createPrivateKey({ format: 'jwk', key: jwk }));
    return verify(hash, message, createPublicKey({ format: 'jwk', key: publicJwk }), signature);
  } catch {
    // OpenSSL takes no such numbers: that is the answer.
    return false;
  }
}

/**
 * Reads an unencrypted private host key in the format `openssh-key-v1` (OpenSSH PROTOCOL.key), Ed25519 or RSA, and
 * sees that both its halves belong together. What it gives has LF line ends, whatever was read.
 */
export function readPrivateKey(pem: string): PrivateKeyResult {
  const refuse = (reason: string): PrivateKeyResult => ({ ok: false, reason });
  const bytes = unwrap(pem);
  if (typeof bytes === 'string') return refuse(bytes);
  const body = openBody(bytes);
  if (typeof body === 'string') return refuse(body);
  const strings = decodeStrings(body.blob) ?? [];
  const sshType = strings[0]?.toString('latin1') ?? '';
  const type = Object.hasOwn(hostTypes, sshType) ? hostTypes[sshType] : undefined;
  if (!type) return refuse('it is neither an Ed25519 nor an RSA key');
  const checked = checkBlob(sshType, body.blob);
  if (!checked.ok) return refuse(checked.reason);
  const secret = readSecret(body.secret);
  if (typeof secret === 'string') return refuse(secret);
  if (!isPair(secret.jwk, strings)) return refuse('its private and public halves do not belong together');
  const comment = secret.comment.replace(/[^\x20-\x7e]+/g, ' ').trim();
  return {
    ok: true,
    key: {
      type,
      privatePem: wrapPrivateKey(bytes),
      publicLine: `${sshType} ${body.blob.toString('base64')}${comment === '' ? '' : ` ${comment}`}`,
      fingerprint: fingerprintOf(body.blob),
    },
  };
}
