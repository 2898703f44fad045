import type { ContainerKind } from '../../contract/image.ts';
import { startsWith } from '../byte-view.ts';

/** How many bytes of the head `detectContainer` looks at. */
export const containerMagicBytes = 10;

const bzip2BlockMagics = [
  Buffer.from('314159265359', 'hex'),
  // an empty file goes straight to the end-of-stream magic
  Buffer.from('177245385090', 'hex'),
];

function isBzip2(head: Uint8Array): boolean {
  const level = head[3] ?? 0;
  return (
    startsWith(head, 0, 'BZh') &&
    level >= 0x31 &&
    level <= 0x39 &&
    // a file cut within its first ten bytes still counts
    (head.length < 10 || bzip2BlockMagics.some((magic) => startsWith(head, 4, magic)))
  );
}

/** zstd frames and skippable frames: RFC 8878 section 3.1.1 and 3.1.2. */
export function isZstdMagic(head: Uint8Array, at = 0): boolean {
  if (startsWith(head, at, Buffer.from('28b52ffd', 'hex'))) return true;
  return ((head[at] ?? 0) & 0xf0) === 0x50 && startsWith(head, at + 1, Buffer.from('2a4d18', 'hex'));
}

/**
 * Which container a file is, by its first bytes; its name plays no part. `raw` means none of the known ones.
 * gzip: RFC 1952 section 2.3.1; xz: xz-file-format section 2.1.1.1; zip: APPNOTE 4.3.7, 4.3.16 (an empty one).
 */
export function detectContainer(head: Uint8Array): ContainerKind {
  if (startsWith(head, 0, Buffer.from('1f8b', 'hex'))) return 'gz';
  if (startsWith(head, 0, Buffer.from('fd377a585a00', 'hex'))) return 'xz';
  if (isZstdMagic(head)) return 'zst';
  if (isBzip2(head)) return 'bz2';
  if (startsWith(head, 0, 'PK\x03\x04') || startsWith(head, 0, 'PK\x05\x06')) return 'zip';
  return 'raw';
}
