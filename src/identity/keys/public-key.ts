import { createPublicKey } from 'node:crypto';
import { decodeStrings } from './ssh-wire.ts';

export type KeyCheck = { ok: true; bits: number; note: string | null } | { ok: false; reason: string };

const refuse = (reason: string): KeyCheck => ({ ok: false, reason });
const accept = (bits: number, note: string | null = null): KeyCheck => ({ ok: true, bits, note });

function bitLength(number: Uint8Array): number {
  const first = number.findIndex((byte) => byte !== 0);
  if (first < 0) return 0;
  return (number.length - first - 1) * 8 + (32 - Math.clz32(number[first] ?? 0));
}

function checkRsa([exponent, modulus]: Buffer[]): KeyCheck {
  const bits = bitLength(modulus ?? Buffer.alloc(0));
  if (bits < 2048)
    return refuse(`an RSA key of ${bits} bits is too short; 2048 is the least, 3072 is better`);
  if (bits > 16384) return refuse(`an RSA key of ${bits} bits is more than SSH takes`);
  const last = exponent?.at(-1) ?? 0;
  if (bitLength(exponent ?? Buffer.alloc(0)) < 2 || last % 2 === 0)
    return refuse('its RSA exponent is not odd');
  return accept(
    bits,
    bits < 3072 ? `RSA with ${bits} bits is on its way out; use Ed25519 or 3072 bits` : null,
  );
}

/** Curve names of RFC 5656 section 10.1 and what they are called elsewhere. */
const curves: Record<string, { jwk: string; bytes: number; bits: number }> = {
  nistp256: { jwk: 'P-256', bytes: 32, bits: 256 },
  nistp384: { jwk: 'P-384', bytes: 48, bits: 384 },
  nistp521: { jwk: 'P-521', bytes: 66, bits: 521 },
};

function isOnCurve(curve: { jwk: string; bytes: number }, point: Buffer): boolean {
  const x = point.subarray(1, 1 + curve.bytes).toString('base64url');
  const y = point.subarray(1 + curve.bytes).toString('base64url');
  try {
    createPublicKey({ format: 'jwk', key: { kty: 'EC', crv: curve.jwk, x, y } });
    return true;
  } catch {
    // OpenSSL says no: that is the answer, not a failure.
    return false;
  }
}

function checkEcdsa(expected: string, [name, point]: Buffer[]): KeyCheck {
  const curve = curves[expected];
  if (!curve || name?.toString('latin1') !== expected) return refuse('it names another curve inside');
  if (point?.length !== 1 + 2 * curve.bytes || point[0] !== 4 || !isOnCurve(curve, point)) {
    return refuse('its point does not lie on its curve');
  }
  return accept(curve.bits);
}

const checkEd25519 = ([key]: Buffer[]): KeyCheck =>
  key?.length === 32 ? accept(256) : refuse('an Ed25519 key has 32 bytes, this one has not');

interface KeyType {
  /** strings in the blob after the type's name */
  strings: number;
  check(strings: Buffer[]): KeyCheck;
}

/**
 * Key types that today's servers take: RFC 4253 section 6.6 (RSA), RFC 5656 section 3.1 (ECDSA), RFC 8709
 * section 4 (Ed25519), OpenSSH PROTOCOL.u2f (keys held in a security token, "sk-").
 */
const keyTypes: Record<string, KeyType> = {
  'ssh-ed25519': { strings: 1, check: checkEd25519 },
  'ssh-rsa': { strings: 2, check: checkRsa },
  'ecdsa-sha2-nistp256': { strings: 2, check: (s) => checkEcdsa('nistp256', s) },
  'ecdsa-sha2-nistp384': { strings: 2, check: (s) => checkEcdsa('nistp384', s) },
  'ecdsa-sha2-nistp521': { strings: 2, check: (s) => checkEcdsa('nistp521', s) },
  'sk-ssh-ed25519@openssh.com': { strings: 2, check: checkEd25519 },
  'sk-ecdsa-sha2-nistp256@openssh.com': { strings: 3, check: (s) => checkEcdsa('nistp256', s) },
};

const retired = new Set(['ssh-dss', 'ssh-dsa']);

export function isKeyType(word: string): boolean {
  return Object.hasOwn(keyTypes, word) || retired.has(word) || word.includes('-cert-v01@');
}

/** Checks a public-key blob against the type named before it. */
export function checkBlob(type: string, blob: Uint8Array): KeyCheck {
  if (retired.has(type)) return refuse('DSA keys are no longer taken by SSH servers; make an Ed25519 key');
  if (type.includes('-cert-v01@'))
    return refuse('it is a certificate; give the public key that it certifies');
  const known = Object.hasOwn(keyTypes, type) ? keyTypes[type] : undefined;
  if (known === undefined) return refuse(`"${type}" is no key type that is known here`);
  const strings = decodeStrings(blob);
  if (strings === null) return refuse('the key is damaged: it is cut short');
  if (strings[0]?.toString('latin1') !== type) {
    return refuse('the key is damaged: its content does not begin with its type');
  }
  if (strings.length !== known.strings + 1) return refuse('the key is damaged: it is cut short or too long');
  return known.check(strings.slice(1));
}
