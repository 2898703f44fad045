/** Where the entries of a volume's root folder begin, and how many bytes of them to read. */
export interface RootExtent {
  kind: 'fat' | 'exfat';
  /** from the volume's start */
  offset: number;
  length: number;
}

const mostRootBytes = 1 << 17;

function fatRoot(view: DataView): RootExtent | null {
  const sector = view.getUint16(11, true);
  const perCluster = view.getUint8(13);
  const reserved = view.getUint16(14, true);
  const entries = view.getUint16(17, true);
  const fatSectors = view.getUint16(22, true) || view.getUint32(36, true);
  if (![512, 1024, 2048, 4096].includes(sector) || perCluster === 0) return null;
  const afterFats = (reserved + view.getUint8(16) * fatSectors) * sector;
  if (entries > 0) return { kind: 'fat', offset: afterFats, length: Math.min(entries * 32, mostRootBytes) };
  const cluster = view.getUint32(44, true);
  if (cluster < 2) return null;
  const bytes = perCluster * sector;
  return { kind: 'fat', offset: afterFats + (cluster - 2) * bytes, length: Math.min(bytes, mostRootBytes) };
}

function exfatRoot(view: DataView): RootExtent | null {
  const sectorShift = view.getUint8(108);
  const clusterShift = sectorShift + view.getUint8(109);
  const cluster = view.getUint32(96, true);
  if (sectorShift < 9 || sectorShift > 12 || clusterShift > 25 || cluster < 2) return null;
  const heap = view.getUint32(88, true) * 2 ** sectorShift;
  const bytes = 2 ** clusterShift;
  return { kind: 'exfat', offset: heap + (cluster - 2) * bytes, length: Math.min(bytes, mostRootBytes) };
}

/**
 * Where the root folder of a FAT or exFAT volume begins, from its first 512 bytes. FAT: Microsoft's "FAT32 File System
 * Specification" 1.03, boot sector and BPB; exFAT: "exFAT file system specification", section 3.1. Null for anything else.
 */
export function findRoot(boot: Uint8Array): RootExtent | null {
  if (boot.length < 512 || boot[510] !== 0x55 || boot[511] !== 0xaa) return null;
  const view = new DataView(boot.buffer, boot.byteOffset, boot.byteLength);
  const isExfat = Buffer.from(boot.subarray(3, 11)).toString('latin1') === 'EXFAT   ';
  return isExfat ? exfatRoot(view) : fatRoot(view);
}

/** FAT, section "FAT directory structure": 00 ends, E5 is free, attribute 08 is the volume's name. */
function isBareFatEntry(first: number, attributes: number): boolean {
  return first === 0xe5 || ((attributes & 0x08) !== 0 && (attributes & 0x3f) !== 0x0f);
}

/** exFAT, sections 6 and 7: the top bit marks entries in use; bitmap, up-case table, label and GUID are no files. */
function isBareExfatEntry(type: number): boolean {
  return (type & 0x80) === 0 || [0x81, 0x82, 0x83, 0xa0].includes(type);
}

/** Whether a root folder surely holds no file and no folder: it must come to its end within what was read. */
export function isEmptyRoot(kind: RootExtent['kind'], entries: Uint8Array): boolean {
  for (let at = 0; at + 32 <= entries.length; at += 32) {
    const first = entries[at] ?? 0;
    if (first === 0) return true;
    const isBare = kind === 'fat' ? isBareFatEntry(first, entries[at + 11] ?? 0) : isBareExfatEntry(first);
    if (!isBare) return false;
  }
  return false;
}
