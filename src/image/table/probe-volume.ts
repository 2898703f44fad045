import type { ByteSource } from '../../contract/blocks.ts';
import { readUpTo } from './bounded-read.ts';
import { probeFat } from './probe-fat.ts';
import { superblockProbes, superblockWindowBytes } from './probe-superblock.ts';
import type { ProbedVolume } from './probed-volume.ts';

/** What the source ends at is the volume's extent: a probe must not look into the neighbour. */
function confine(source: ByteSource, endByte: number): ByteSource {
  return {
    sizeBytes: Math.min(source.sizeBytes, endByte),
    read: (offset, length) => source.read(offset, length),
  };
}

/**
 * What stands at an extent, by its first sectors: FAT, ext, ISO 9660, squashfs, swap, LUKS, btrfs, NTFS, exFAT, XFS,
 * F2FS, EROFS, LVM. FAT has no magic that is sure, so it comes last. Null where nothing is recognised.
 */
export function probeVolume(source: ByteSource, startByte: number, sizeBytes: number): ProbedVolume | null {
  const extent = confine(source, startByte + sizeBytes);
  const start = readUpTo(extent, startByte, superblockWindowBytes);
  for (const probe of superblockProbes) {
    const volume = probe(start);
    if (volume) return volume;
  }
  return probeFat(extent, startByte);
}
