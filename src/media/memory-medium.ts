import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Medium } from './medium.ts';

/** A card in memory, for tests of everything that works on a medium. `bytes` is what it holds, open to inspection. */
export function createMemoryMedium(
  sizeBytes: number,
  blockBytes = 512,
): Medium & { bytes: Uint8Array; flushes: number } {
  const bytes = new Uint8Array(sizeBytes);

  function check(length: number, offset: number, code: 'media.read-failed' | 'media.write-failed'): void {
    const aligned = offset % blockBytes === 0 && length % blockBytes === 0;
    if (aligned && offset >= 0 && offset + length <= sizeBytes) return;
    throw new CardwrightError(code, { facts: { offset, length, errno: aligned ? 'ENOSPC' : 'EINVAL' } });
  }

  const medium = {
    kind: 'memory' as const,
    sizeBytes,
    blockBytes,
    bytes,
    flushes: 0,
    readNow(target: Uint8Array, offset: number) {
      check(target.length, offset, 'media.read-failed');
      target.set(bytes.subarray(offset, offset + target.length));
    },
    async read(target: Uint8Array, offset: number) {
      medium.readNow(target, offset);
    },
    async write(source: Uint8Array, offset: number) {
      check(source.length, offset, 'media.write-failed');
      bytes.set(source, offset);
    },
    async flush() {
      medium.flushes++;
    },
  };
  return medium;
}
