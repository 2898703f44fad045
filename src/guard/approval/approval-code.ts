import { createHmac } from 'node:crypto';
import type { CardIdentity } from '../../contract/devices.ts';

/** SHA-256 of the first and last MiB of a disk, in lower-case hex. */
export interface ContentDigests {
  headDigest: string;
  tailDigest: string;
}

/**
 * Letters and digits that are not taken for one another when read from a screen or spoken at a bench: of each pair
 * (0 O, 1 I L, 2 Z, 5 S, 6 G, 8 B, U V) at most one is here.
 */
export const approvalAlphabet = '23456789ACDEFHJKMNPQRTVWXY';

export const approvalLength = 4;

const domain = 'cardwright approval 1';

/** Absent: one zero byte. Present: 01, the length in bytes as a big-endian u32, the text in UTF-8. */
function encodeField(value: string | number | null): Uint8Array {
  if (value === null) return Uint8Array.of(0);
  const text = Buffer.from(String(value), 'utf8');
  const head = Buffer.alloc(5);
  head.writeUInt8(1, 0);
  head.writeUInt32BE(text.length, 1);
  return Buffer.concat([head, text]);
}

/**
 * What the code is computed over: the name of this format, then port, LUN, serial, CID, size, diskseq, head and
 * tail digest, each with its length, so that no two different cards have the same encoding.
 */
export function encodeApproval(identity: CardIdentity, content: ContentDigests): Uint8Array {
  const { port, lun, serial, cid, sizeBytes, diskseq } = identity;
  const fields = [domain, port, lun, serial, cid, sizeBytes, diskseq, content.headDigest, content.tailDigest];
  return Buffer.concat(fields.map(encodeField));
}

/**
 * The code a person types to approve one disk: HMAC-SHA-256 (RFC 2104, FIPS 180-4) with the station's key over
 * `encodeApproval`, its first 8 bytes as a big-endian number, as four digits of `approvalAlphabet`, the highest
 * first. 456,976 values: enough against a mix-up, no protection against somebody who may write the disk anyway.
 */
export function approvalCode(key: Uint8Array, identity: CardIdentity, content: ContentDigests): string {
  const digest = createHmac('sha256', key).update(encodeApproval(identity, content)).digest();
  const base = BigInt(approvalAlphabet.length);
  let rest = digest.readBigUInt64BE(0);
  let code = '';
  while (code.length < approvalLength) {
    code = approvalAlphabet.charAt(Number(rest % base)) + code;
    rest /= base;
  }
  return code;
}
