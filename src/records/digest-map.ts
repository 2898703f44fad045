import { createHash } from 'node:crypto';
import { deflateSync, inflateSync } from 'node:zlib';
import { type DigestMap, mibBytes } from '../contract/job.ts';

const digestBytes = 32;
const sizeFieldBytes = 8;

/** Size (unsigned 64 bit, little-endian), then the digests: what is stored, and what the root is taken over. */
function layOut(map: DigestMap): Buffer {
  const expected = Math.ceil(map.sizeBytes / mibBytes) * digestBytes;
  if (map.digests.length !== expected) {
    throw new RangeError(
      `a digest map of ${map.sizeBytes} bytes has ${expected} bytes of digests, not ${map.digests.length}`,
    );
  }
  const bytes = Buffer.alloc(sizeFieldBytes + map.digests.length);
  bytes.writeBigUInt64LE(BigInt(map.sizeBytes));
  bytes.set(map.digests, sizeFieldBytes);
  return bytes;
}

/**
 * SHA-256 (lower-case hex) over the size as 8 bytes, little-endian, and all digests in their order: one value that
 * stands for the whole map. Throws RangeError if size and number of digests do not agree.
 */
export function digestMapRoot(map: DigestMap): string {
  return createHash('sha256').update(layOut(map)).digest('hex');
}

/** The map as a zlib stream (RFC 1950). Digests do not shrink, but equal ones do: the empty MiBs of an image. */
export function encodeDigestMap(map: DigestMap): Buffer {
  return deflateSync(layOut(map), { level: 1 });
}

/** Undoes `encodeDigestMap`. `sizeBytes` bounds the memory. Throws if the stream is damaged or of another size. */
export function decodeDigestMap(packed: Uint8Array, sizeBytes: number): DigestMap {
  const expected = sizeFieldBytes + Math.ceil(sizeBytes / mibBytes) * digestBytes;
  const bytes = inflateSync(packed, { maxOutputLength: expected });
  if (bytes.length !== expected || bytes.readBigUInt64LE() !== BigInt(sizeBytes)) {
    throw new RangeError(`the stored digest map does not belong to ${sizeBytes} bytes`);
  }
  return { sizeBytes, digests: Uint8Array.from(bytes.subarray(sizeFieldBytes)) };
}
