import type { ByteSource } from '../../contract/blocks.ts';
import { fixedText, hexOf, viewOf } from '../byte-view.ts';
import { readUpTo } from './bounded-read.ts';
import type { ProbedVolume } from './probed-volume.ts';

const isPowerOfTwo = (n: number) => n > 0 && (n & (n - 1)) === 0;

interface FatFields {
  sectorBytes: number;
  clusterSectors: number;
  reservedSectors: number;
  fatCopies: number;
  rootEntries: number;
  fatSectors: number;
  totalSectors: number;
  isFat32: boolean;
}

function readFields(boot: Uint8Array): FatFields | null {
  const view = viewOf(boot);
  const fatSectors16 = view.getUint16(22, true);
  const fields = {
    sectorBytes: view.getUint16(11, true),
    clusterSectors: view.getUint8(13),
    reservedSectors: view.getUint16(14, true),
    fatCopies: view.getUint8(16),
    rootEntries: view.getUint16(17, true),
    fatSectors: fatSectors16 || view.getUint32(36, true),
    totalSectors: view.getUint16(19, true) || view.getUint32(32, true),
    isFat32: fatSectors16 === 0,
  };
  const media = view.getUint8(21);
  const isSound =
    (media >= 0xf8 || media === 0xf0) &&
    isPowerOfTwo(fields.clusterSectors) &&
    isPowerOfTwo(fields.sectorBytes) &&
    fields.sectorBytes >= 512 &&
    fields.sectorBytes <= 4096 &&
    fields.reservedSectors > 0 &&
    fields.fatCopies > 0 &&
    fields.fatSectors > 0 &&
    fields.totalSectors > 0 &&
    // a fixed root directory is what FAT12 and FAT16 have and FAT32 has not
    (fields.rootEntries === 0) === fields.isFat32;
  return isSound ? fields : null;
}

/** By the fields, as Linux does: FAT32 has no 16-bit table size; the cluster count tells only 12 from 16. */
function fatType(f: FatFields): string {
  if (f.isFat32) return 'fat32';
  const rootSectors = Math.ceil((f.rootEntries * 32) / f.sectorBytes);
  const dataSectors = f.totalSectors - f.reservedSectors - f.fatCopies * f.fatSectors - rootSectors;
  return Math.floor(dataSectors / f.clusterSectors) > 4084 ? 'fat16' : 'fat12';
}

/** Where the root directory begins, and how much of it is looked at for the label. */
function rootDirectory(f: FatFields, boot: Uint8Array): { at: number; length: number } {
  const tables = f.reservedSectors + f.fatCopies * f.fatSectors;
  if (!f.isFat32) {
    return { at: tables * f.sectorBytes, length: Math.min(f.rootEntries * 32, 2 ** 15) };
  }
  const cluster = Math.max(2, viewOf(boot).getUint32(44, true));
  return {
    at: (tables + (cluster - 2) * f.clusterSectors) * f.sectorBytes,
    length: Math.min(f.clusterSectors * f.sectorBytes, 2 ** 15),
  };
}

/** The label entry (attribute 08, not the 0F of long names): the one that systems show; null where there is none. */
function labelIn(directory: Uint8Array): string | null {
  const view = viewOf(directory);
  for (let at = 0; at + 32 <= directory.length && directory[at] !== 0; at += 32) {
    const attributes = view.getUint8(at + 11);
    if (directory[at] !== 0xe5 && (attributes & 0x08) !== 0 && (attributes & 0x3f) !== 0x0f) {
      return fixedText(directory, at, 11, 'latin1');
    }
  }
  return null;
}

function bootSectorLabel(boot: Uint8Array, f: FatFields): string | null {
  if (boot[f.isFat32 ? 66 : 38] !== 0x29) return null;
  const label = fixedText(boot, f.isFat32 ? 71 : 43, 11, 'latin1');
  return label === 'NO NAME' ? null : label;
}

function serialNumber(boot: Uint8Array, f: FatFields): string | null {
  if (boot[f.isFat32 ? 66 : 38] !== 0x29) return null;
  const at = f.isFat32 ? 67 : 39;
  const digits = hexOf(Uint8Array.from(boot.subarray(at, at + 4)).reverse()).toUpperCase();
  return `${digits.slice(0, 4)}-${digits.slice(4)}`;
}

/**
 * FAT12, FAT16 or FAT32 (Microsoft FAT32 File System Specification 1.03, "Boot Sector and BPB"; the kind as Linux
 * fs/fat/inode.c decides). The label is that of the root directory, else that of the boot sector.
 */
export function probeFat(source: ByteSource, startByte: number): ProbedVolume | null {
  const boot = readUpTo(source, startByte, 512);
  if (boot.length < 512) return null;
  const fields = readFields(boot);
  if (!fields) return null;
  const root = rootDirectory(fields, boot);
  const directory = readUpTo(source, startByte + root.at, root.length);
  return {
    type: fatType(fields),
    label: labelIn(directory) ?? bootSectorLabel(boot, fields),
    uuid: serialNumber(boot, fields),
    volumeBytes: fields.totalSectors * fields.sectorBytes,
  };
}
