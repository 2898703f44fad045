import { fixedText, hexOf, safeUint64, startsWith, viewOf } from '../byte-view.ts';
import type { ProbedVolume } from './probed-volume.ts';

/** How much of a volume's start the probes below look at. */
export const superblockWindowBytes = 2 ** 16 + 4096;

type Probe = (start: Uint8Array) => ProbedVolume | null;

function dashedUuid(bytes: Uint8Array, at: number): string {
  const digits = hexOf(bytes.subarray(at, at + 16));
  return [8, 12, 16, 20, 32].map((end, i, ends) => digits.slice(ends[i - 1] ?? 0, end)).join('-');
}

function sized(blocks: number | null, blockBytes: number): number | null {
  const size = (blocks ?? Number.NaN) * blockBytes;
  return Number.isSafeInteger(size) ? size : null;
}

/** The superblock at byte 1024 (Linux fs/ext4/ext4.h); kinds as blkid tells them apart, by features. */
function probeExt(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 1080, Buffer.from('53ef', 'hex')) || start.length < 2048) return null;
  const view = viewOf(start);
  const logBlock = view.getUint32(1048, true);
  if (logBlock > 6) return null;
  const compatible = view.getUint32(1116, true);
  const incompatible = view.getUint32(1120, true);
  const readOnly = view.getUint32(1124, true);
  const beyondExt3 = (incompatible & ~0x16) !== 0 || (readOnly & ~0x07) !== 0;
  const hasJournal = (compatible & 0x04) !== 0;
  const highBlocks = (incompatible & 0x80) === 0 ? 0 : view.getUint32(1360, true);
  return {
    type: beyondExt3 ? 'ext4' : hasJournal ? 'ext3' : 'ext2',
    label: fixedText(start, 1144, 16),
    uuid: dashedUuid(start, 1128),
    volumeBytes: sized(highBlocks * 2 ** 32 + view.getUint32(1028, true), 1024 * 2 ** logBlock),
  };
}

/** ECMA-119 section 8.4: the primary volume descriptor in sector 16. */
function probeIso9660(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 32768, '\x01CD001\x01') || start.length < 32768 + 2048) return null;
  const view = viewOf(start);
  return {
    type: 'iso9660',
    label: fixedText(start, 32808, 32, 'latin1'),
    uuid: null,
    volumeBytes: sized(view.getUint32(32768 + 80, true), view.getUint16(32768 + 128, true)),
  };
}

/** Squashfs 4 (Linux fs/squashfs/squashfs_fs.h): bytes used at 40. */
function probeSquashfs(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 0, 'hsqs') || start.length < 96) return null;
  return { type: 'squashfs', label: null, uuid: null, volumeBytes: safeUint64(viewOf(start), 40) };
}

/** mkswap: the signature ends the first page, whose size depends on the machine it was made for. */
function probeSwap(start: Uint8Array): ProbedVolume | null {
  for (const pageBytes of [4096, 8192, 16384, 32768, 65536]) {
    if (!startsWith(start, pageBytes - 10, 'SWAPSPACE2')) continue;
    const pages = viewOf(start).getUint32(1028, true) + 1;
    return {
      type: 'swap',
      label: fixedText(start, 1052, 16),
      uuid: dashedUuid(start, 1036),
      volumeBytes: sized(pages, pageBytes),
    };
  }
  return null;
}

/** LUKS on-disk format 1 and 2: version at 6 (big-endian), UUID as text at 168, LUKS2 label at 24. */
function probeLuks(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 0, Buffer.from('4c554b53babe', 'hex')) || start.length < 512) return null;
  const version = viewOf(start).getUint16(6);
  const label = version === 2 ? fixedText(start, 24, 48) : null;
  return { type: 'crypto_luks', label, uuid: fixedText(start, 168, 40), volumeBytes: null };
}

/** Linux btrfs: superblock at 64 KiB, magic at 64 of it, label at 299. */
function probeBtrfs(start: Uint8Array): ProbedVolume | null {
  const at = 2 ** 16;
  if (!startsWith(start, at + 64, '_BHRfS_M') || start.length < at + 4096) return null;
  return {
    type: 'btrfs',
    label: fixedText(start, at + 299, 256),
    uuid: dashedUuid(start, at + 32),
    volumeBytes: safeUint64(viewOf(start), at + 112),
  };
}

function probeNtfs(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 3, 'NTFS    ') || start.length < 512) return null;
  const view = viewOf(start);
  const serial = hexOf(Uint8Array.from(start.subarray(72, 80)).reverse()).toUpperCase();
  const sectors = safeUint64(view, 40);
  return { type: 'ntfs', label: null, uuid: serial, volumeBytes: sized(sectors, view.getUint16(11, true)) };
}

/** exFAT specification, section 3.1 (main boot sector): volume length at 72 in sectors of 2^(byte 108). */
function probeExfat(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 3, 'EXFAT   ') || start.length < 512) return null;
  const view = viewOf(start);
  const serial = hexOf(Uint8Array.from(start.subarray(100, 104)).reverse()).toUpperCase();
  return {
    type: 'exfat',
    label: null,
    uuid: `${serial.slice(0, 4)}-${serial.slice(4)}`,
    volumeBytes: sized(safeUint64(view, 72), 2 ** view.getUint8(108)),
  };
}

/** XFS superblock, big-endian: block size at 4, blocks at 8, UUID at 32, label at 108. */
function probeXfs(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 0, 'XFSB') || start.length < 512) return null;
  const view = viewOf(start);
  const blocks = view.getBigUint64(8);
  const count = blocks <= BigInt(Number.MAX_SAFE_INTEGER) ? Number(blocks) : null;
  return {
    type: 'xfs',
    label: fixedText(start, 108, 12),
    uuid: dashedUuid(start, 32),
    volumeBytes: sized(count, view.getUint32(4)),
  };
}

/** F2FS superblock at 1024 (Linux include/linux/f2fs_fs.h): blocks at 36, UUID at 108, name in UTF-16 at 124. */
function probeF2fs(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 1024, Buffer.from('1020f5f2', 'hex')) || start.length < 1024 + 1148) return null;
  const view = viewOf(start);
  return {
    type: 'f2fs',
    label: fixedText(start, 1024 + 124, 512, 'utf16le'),
    uuid: dashedUuid(start, 1024 + 108),
    volumeBytes: sized(safeUint64(view, 1024 + 36), 2 ** Math.min(32, view.getUint32(1024 + 16, true))),
  };
}

/** EROFS superblock at 1024: block count and label stay unread. */
function probeErofs(start: Uint8Array): ProbedVolume | null {
  if (!startsWith(start, 1024, Buffer.from('e2e1f5e0', 'hex'))) return null;
  return { type: 'erofs', label: null, uuid: null, volumeBytes: null };
}

/** LVM2 physical volume: its label lies in one of the first four sectors. */
function probeLvm(start: Uint8Array): ProbedVolume | null {
  const isMember = [0, 512, 1024, 1536].some((at) => startsWith(start, at, 'LABELONE'));
  return isMember ? { type: 'lvm2_member', label: null, uuid: null, volumeBytes: null } : null;
}

/** Volumes with a magic of their own, the surest first. */
export const superblockProbes: readonly Probe[] = [
  probeLuks,
  probeNtfs,
  probeExfat,
  probeXfs,
  probeSquashfs,
  probeExt,
  probeF2fs,
  probeErofs,
  probeBtrfs,
  probeSwap,
  probeIso9660,
  probeLvm,
];
