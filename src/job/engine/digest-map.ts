import { createHash } from 'node:crypto';
import { type DigestMap, mibBytes } from '../../contract/job.ts';

export const digestBytes = 32;

export function createDigestMap(sizeBytes: number): DigestMap {
  return { sizeBytes, digests: new Uint8Array(pieceCount(sizeBytes) * digestBytes) };
}

export function pieceCount(sizeBytes: number): number {
  return Math.ceil(sizeBytes / mibBytes);
}

/** Whether anything was written to a piece, so that it can be read back and compared. */
export function isCovered(map: DigestMap, piece: number): boolean {
  return !isAllZero(pieceDigest(map, piece));
}

export function coveredPieces(map: DigestMap): number[] {
  return Array.from({ length: pieceCount(map.sizeBytes) }, (_, piece) => piece).filter((piece) =>
    isCovered(map, piece),
  );
}

export function coveredBytes(map: DigestMap): number {
  return coveredPieces(map).reduce((sum, piece) => sum + pieceLength(map, piece), 0);
}

/** A map that reaches further; the new pieces are not covered yet. What there was must end with a whole piece. */
export function extendDigestMap(map: DigestMap, sizeBytes: number): DigestMap {
  if (map.sizeBytes % mibBytes !== 0) throw new RangeError('the map ends inside a MiB');
  const longer = createDigestMap(sizeBytes);
  longer.digests.set(map.digests);
  return longer;
}

/** Bytes in a piece: a MiB, or less in the last one. */
export function pieceLength(map: Pick<DigestMap, 'sizeBytes'>, piece: number): number {
  return Math.min(mibBytes, map.sizeBytes - piece * mibBytes);
}

export function pieceDigest(map: DigestMap, piece: number): Uint8Array {
  return map.digests.subarray(piece * digestBytes, (piece + 1) * digestBytes);
}

export function setPieceDigest(map: DigestMap, piece: number, digest: Uint8Array): void {
  map.digests.set(digest, piece * digestBytes);
}

export function sha256(bytes: Uint8Array): Uint8Array {
  return createHash('sha256').update(bytes).digest();
}

export function isEqual(a: Uint8Array, b: Uint8Array): boolean {
  return Buffer.compare(a, b) === 0;
}

export function isAllZero(bytes: Uint8Array): boolean {
  return bytes.every((byte) => byte === 0);
}
