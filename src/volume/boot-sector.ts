import { CardwrightError } from '../contract/cardwright-error.ts';

export type FatBits = 12 | 16 | 32;

/** A FAT volume as its boot sector describes it, checked against itself and its extent. Sectors are the volume's own. */
export interface FatGeometry {
  bits: FatBits;
  sectorBytes: number;
  clusterSectors: number;
  reservedSectors: number;
  /** 1 or 2 */
  fatCopies: number;
  /** sectors of one copy of the allocation table */
  fatSectors: number;
  /** entries of the fixed root directory; 0 in FAT32 */
  rootEntries: number;
  /** first sector of cluster 2 */
  dataSector: number;
  clusterCount: number;
  /** FAT32 only, else 0 */
  rootCluster: number;
  /** FAT32 with an FSInfo sector, else null */
  fsInfoSector: number | null;
  mediaByte: number;
  /** the dirty bit of the boot sector itself (bit 0 of the byte before the extended signature) */
  isDirty: boolean;
  /** label in the boot sector, trimmed; null where there is none */
  label: string | null;
}

/** As many as FAT32 with 32 KiB clusters has in 256 GiB; it also bounds the memory of the check. */
const mostClusters = 8 * 2 ** 20;

/** Highest cluster counts of FAT12 and FAT16 (Microsoft FAT specification 1.03, "FAT Type Determination"). */
const mostClusters12 = 4084;
const mostClusters16 = 65524;
const fewestSectors = 128;

function notFat(why: string): never {
  throw new CardwrightError('volume.not-fat', { facts: { why } });
}

function impossible(why: string): never {
  throw new CardwrightError('volume.bad-geometry', { facts: { why } });
}

const isPowerOfTwo = (n: number) => n > 0 && (n & (n - 1)) === 0;

interface Fields {
  sectorBytes: number;
  clusterSectors: number;
  reservedSectors: number;
  fatCopies: number;
  rootEntries: number;
  fatSectors: number;
  totalSectors: number;
  isFat32: boolean;
}

function readFields(view: DataView): Fields {
  const fatSectors16 = view.getUint16(22, true);
  const totalSectors16 = view.getUint16(19, true);
  return {
    sectorBytes: view.getUint16(11, true),
    clusterSectors: view.getUint8(13),
    reservedSectors: view.getUint16(14, true),
    fatCopies: view.getUint8(16),
    rootEntries: view.getUint16(17, true),
    fatSectors: fatSectors16 || view.getUint32(36, true),
    totalSectors: totalSectors16 || view.getUint32(32, true),
    // The kernel that boots the card goes by this field and not by the cluster count, so we do too.
    isFat32: fatSectors16 === 0,
  };
}

function checkIsFat(view: DataView, f: Fields): void {
  if (view.getUint16(510, true) !== 0xaa55) notFat('its first sector has no 55 AA at its end');
  if (![512, 1024, 2048, 4096].includes(f.sectorBytes)) notFat(`it says ${f.sectorBytes} bytes a sector`);
  if (!isPowerOfTwo(f.clusterSectors)) notFat(`it says ${f.clusterSectors} sectors a cluster`);
  const media = view.getUint8(21);
  if (media !== 0xf0 && media < 0xf8) notFat(`its media byte is ${media.toString(16)}`);
}

function checkFields(view: DataView, f: Fields, extentBytes: number): void {
  if (f.reservedSectors === 0) impossible('it has no reserved sectors, yet a boot sector');
  if (f.fatCopies !== 1 && f.fatCopies !== 2) {
    impossible(`it has ${f.fatCopies} copies of its allocation table; 1 or 2 are expected`);
  }
  if (f.fatSectors === 0) impossible('its allocation table has no sectors');
  // The FAT library takes no smaller one, and no boot volume is.
  if (f.totalSectors < fewestSectors)
    impossible(`it has ${f.totalSectors} sectors, fewer than ${fewestSectors}`);
  if (f.totalSectors * f.sectorBytes > extentBytes) {
    impossible(`it has ${f.totalSectors * f.sectorBytes} bytes, its partition ${extentBytes}`);
  }
  if ((f.rootEntries * 32) % f.sectorBytes !== 0) impossible('its root directory ends inside a sector');
  if (f.isFat32 ? f.rootEntries !== 0 : f.rootEntries === 0) {
    impossible(`its root directory has ${f.rootEntries} fixed entries, which does not fit its kind`);
  }
  if (f.isFat32 && view.getUint16(42, true) !== 0) impossible('it is a later version of FAT32');
  const flags = view.getUint16(40, true);
  if (f.isFat32 && (flags & 0x80) !== 0 && (flags & 0x0f) !== 0) {
    impossible('its allocation table is not mirrored and the first copy is not the one in use');
  }
}

function countClusters(f: Fields, dataSector: number): { bits: FatBits; clusterCount: number } {
  if (dataSector >= f.totalSectors) impossible('its tables leave no room for files');
  const bySize = Math.floor((f.totalSectors - dataSector) / f.clusterSectors);
  const bits = f.isFat32 ? 32 : bySize > mostClusters12 ? 16 : 12;
  const byTable = Math.floor((f.fatSectors * f.sectorBytes * 8) / bits) - 2;
  const clusterCount = Math.min(bySize, byTable);
  if (clusterCount < 1) impossible('it has no cluster for files');
  if (!f.isFat32 && clusterCount > mostClusters16) {
    impossible(`it has ${clusterCount} clusters, more than a 16-bit table can tell apart`);
  }
  if (clusterCount > mostClusters) {
    throw new CardwrightError('volume.too-large', { facts: { clusters: clusterCount, most: mostClusters } });
  }
  return { bits, clusterCount };
}

function readLabel(bytes: Uint8Array, isFat32: boolean): string | null {
  if (bytes[isFat32 ? 66 : 38] !== 0x29) return null;
  const at = isFat32 ? 71 : 43;
  const text = Buffer.from(bytes.subarray(at, at + 11))
    .toString('latin1')
    .trimEnd();
  return text === '' || text === 'NO NAME' ? null : text;
}

/**
 * Reads the first sector of a FAT volume (Microsoft FAT32 File System Specification 1.03, "Boot Sector and BPB").
 * FAT32 is what has no 16-bit table size, whatever its cluster count, as the Linux kernel decides.
 * @param bytes at least 512 bytes from the start of the volume
 * @param extentBytes size of the partition it lies in
 * @throws CardwrightError volume.not-fat, volume.bad-geometry, volume.too-large
 */
export function parseBootSector(bytes: Uint8Array, extentBytes: number): FatGeometry {
  if (bytes.length < 512) notFat('it is shorter than a sector');
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const f = readFields(view);
  checkIsFat(view, f);
  checkFields(view, f, extentBytes);
  const rootSectors = (f.rootEntries * 32) / f.sectorBytes;
  const dataSector = f.reservedSectors + f.fatCopies * f.fatSectors + rootSectors;
  const { bits, clusterCount } = countClusters(f, dataSector);
  const rootCluster = f.isFat32 ? view.getUint32(44, true) : 0;
  if (f.isFat32 && (rootCluster < 2 || rootCluster >= clusterCount + 2)) {
    impossible(`its root directory begins at cluster ${rootCluster}, which it does not have`);
  }
  const fsInfo = view.getUint16(48, true);
  const hasFsInfo = f.isFat32 && fsInfo > 0 && fsInfo < f.reservedSectors;
  return {
    bits,
    sectorBytes: f.sectorBytes,
    clusterSectors: f.clusterSectors,
    reservedSectors: f.reservedSectors,
    fatCopies: f.fatCopies,
    fatSectors: f.fatSectors,
    rootEntries: f.rootEntries,
    dataSector,
    clusterCount,
    rootCluster,
    fsInfoSector: hasFsInfo ? fsInfo : null,
    mediaByte: view.getUint8(21),
    isDirty: (view.getUint8(f.isFat32 ? 65 : 37) & 1) !== 0,
    label: readLabel(bytes, f.isFat32),
  };
}
