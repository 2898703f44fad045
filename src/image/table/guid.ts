import { hexOf } from '../byte-view.ts';

/**
 * A GUID as text. On disk its first three fields are little-endian, the rest is in order (UEFI 2.11 appendix A):
 * C12A7328-F81F-11D2-… is stored as 28732ac1 1ff8 d211 ….
 */
export function readGuid(bytes: Uint8Array, at: number): string {
  const reversed = (from: number, to: number) =>
    hexOf(Uint8Array.from(bytes.subarray(at + from, at + to)).reverse());
  const rest = hexOf(bytes.subarray(at + 8, at + 16));
  return [reversed(0, 4), reversed(4, 6), reversed(6, 8), rest.slice(0, 4), rest.slice(4)]
    .join('-')
    .toUpperCase();
}

export const emptyGuid = '00000000-0000-0000-0000-000000000000';

/** The sixteen bytes of a GUID as they stand on a disk. */
export function guidBytes(text: string): Uint8Array {
  const hex = Buffer.from(text.replaceAll('-', ''), 'hex');
  const first = [hex.subarray(0, 4), hex.subarray(4, 6), hex.subarray(6, 8)];
  return Buffer.concat([...first.map((field) => Buffer.from(field).reverse()), hex.subarray(8)]);
}
