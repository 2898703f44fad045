import type { ByteSource } from '../../src/contract/blocks.ts';
import { memorySource } from '../image/recipes.ts';

/** Fails on a read outside the source, and on more reads than a bound. */
export function counted(bytes: Uint8Array, mostReads: number): ByteSource {
  const inner = memorySource(bytes);
  let reads = 0;
  return {
    sizeBytes: bytes.length,
    read(offset, length) {
      reads += 1;
      if (reads > mostReads) throw new Error(`more than ${mostReads} reads`);
      return inner.read(offset, length);
    },
  };
}
