import type { Disk, Signature } from '../contract/devices.ts';
import { escapeText } from '../contract/escape-text.ts';

/** blkid types (in lower case) that point to a keeper of data rather than a card for a board. */
const archiveTypes = new Set([
  'apfs',
  'bcache',
  'bitlocker',
  'btrfs',
  'ceph_bluestore',
  'crypto_luks',
  'hfsplus',
  'lvm1_member',
  'lvm2_member',
  'ntfs',
  'refs',
  'vmfs',
  'zfs_member',
]);

/** blkid usages that mean the same for types not listed above: members of arrays, encrypted volumes. */
const archiveUsages = new Set(['raid', 'crypto']);

/**
 * From how many files on a volume looks like somebody's collection. A boot volume has some hundreds; common
 * practice, no source.
 */
export const manyFiles = 1000;

function looksLikeArchive(signature: Signature): boolean {
  const type = (signature.type ?? '').toLowerCase();
  if (archiveTypes.has(type) || archiveUsages.has((signature.usage ?? '').toLowerCase())) return true;
  return (signature.fileCount ?? 0) >= manyFiles;
}

function extentBytes(disk: Disk, signature: Signature): number {
  return disk.partitions.find((p) => p.name === signature.on)?.sizeBytes ?? disk.sizeBytes;
}

/** The signatures on the disk that look like somebody's archive; the largest volume first, else as listed. */
export function archiveSignatures(disk: Disk): Signature[] {
  const found = (disk.signatures ?? []).filter(looksLikeArchive);
  return found.sort((a, b) => extentBytes(disk, b) - extentBytes(disk, a));
}

/** What a volume is called where a person has to type it: its label, else the first part of its UUID, else its type. */
export function volumeName(signature: Signature): string {
  const label = escapeText((signature.label ?? '').trim());
  const uuidStart = escapeText((signature.uuid ?? '').replace(/-.*$/, ''));
  return label || uuidStart || signature.type || 'volume';
}
