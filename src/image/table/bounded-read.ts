import type { ByteSource } from '../../contract/blocks.ts';

/** Up to `length` bytes: fewer, or none, where the source ends. */
export function readUpTo(source: ByteSource, offset: number, length: number): Uint8Array {
  const available = Math.max(0, Math.min(length, source.sizeBytes - offset));
  return available === 0 ? new Uint8Array() : source.read(offset, available);
}
