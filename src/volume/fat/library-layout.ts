import type { FatGeometry } from '../boot-sector.ts';

/**
 * The volume as it is shown to the FAT library.
 *
 * The library tells FAT12, FAT16 and FAT32 apart by the number of clusters alone (and by other limits than the
 * kernel: up to 4085 for FAT12, up to 65525 for FAT16), so a FAT32 volume of less than about 32 MiB is "no file
 * system" to it. It is therefore shown a volume widened to a cluster count of the right class: the tables get
 * sectors that do not exist, whose entries say "bad cluster", so none of them is ever allocated, counted as free
 * or followed; everything behind the tables moves by the sectors added. The other way, patching the limit inside
 * the compiled library, would hang on one build's byte offsets, would need a second patched copy for FAT16, and
 * would leave the library to parse a foreign boot sector; this way it only ever sees the one made here, from
 * fields that were checked.
 */
export interface LibraryLayout {
  geometry: FatGeometry;
  /** clusters shown, never fewer than there are */
  clusterCount: number;
  /** sectors shown of one table copy */
  fatSectors: number;
  dataSector: number;
  totalSectors: number;
}

/** Fewest clusters with which the library recognizes each kind. */
const fewestClusters = { 12: 1, 16: 4086, 32: 65526 } as const;

/** Where a shown sector comes from. `index` counts within one table copy, `sector` within the real volume. */
export type SectorPlace =
  | { kind: 'boot' }
  | { kind: 'fs-info'; sector: number }
  | { kind: 'reserved'; sector: number }
  /** `sector` is null where the real table has none */
  | { kind: 'allocation'; index: number; sector: number | null }
  | { kind: 'content'; sector: number }
  | { kind: 'nowhere' };

export function layOutForLibrary(geometry: FatGeometry): LibraryLayout {
  const clusterCount = Math.max(geometry.clusterCount, fewestClusters[geometry.bits]);
  const tableBytes = Math.ceil(((clusterCount + 2) * geometry.bits) / 8);
  const fatSectors = Math.max(geometry.fatSectors, Math.ceil(tableBytes / geometry.sectorBytes));
  const dataSector = geometry.dataSector + geometry.fatCopies * (fatSectors - geometry.fatSectors);
  return {
    geometry,
    clusterCount,
    fatSectors,
    dataSector,
    totalSectors: dataSector + clusterCount * geometry.clusterSectors,
  };
}

export function placeOf(layout: LibraryLayout, shown: number): SectorPlace {
  const { geometry } = layout;
  if (shown === 0) return { kind: 'boot' };
  if (shown === 1 && geometry.fsInfoSector !== null)
    return { kind: 'fs-info', sector: geometry.fsInfoSector };
  if (shown < geometry.reservedSectors) return { kind: 'reserved', sector: shown };
  const inTables = shown - geometry.reservedSectors;
  if (inTables < geometry.fatCopies * layout.fatSectors) {
    const copy = Math.floor(inTables / layout.fatSectors);
    const index = inTables % layout.fatSectors;
    const start = geometry.reservedSectors + copy * geometry.fatSectors;
    return { kind: 'allocation', index, sector: index < geometry.fatSectors ? start + index : null };
  }
  const sector = shown - geometry.fatCopies * (layout.fatSectors - geometry.fatSectors);
  const end = geometry.dataSector + geometry.clusterCount * geometry.clusterSectors;
  return sector < end ? { kind: 'content', sector } : { kind: 'nowhere' };
}

/** The boot sector that is shown; the real one is never written. Fields as in Microsoft's specification 1.03. */
export function makeShownBootSector(layout: LibraryLayout): Uint8Array {
  const { geometry } = layout;
  const bytes = new Uint8Array(geometry.sectorBytes);
  const view = new DataView(bytes.buffer);
  bytes.set([0xeb, 0x58, 0x90]);
  view.setUint16(11, geometry.sectorBytes, true);
  view.setUint8(13, geometry.clusterSectors);
  view.setUint16(14, geometry.reservedSectors, true);
  view.setUint8(16, geometry.fatCopies);
  view.setUint16(17, geometry.rootEntries, true);
  view.setUint8(21, geometry.mediaByte);
  if (layout.totalSectors < 0x10000) view.setUint16(19, layout.totalSectors, true);
  else view.setUint32(32, layout.totalSectors, true);
  const isFat32 = geometry.bits === 32;
  if (isFat32) {
    view.setUint32(36, layout.fatSectors, true);
    view.setUint32(44, geometry.rootCluster, true);
    view.setUint16(48, geometry.fsInfoSector === null ? 0 : 1, true);
  } else {
    view.setUint16(22, layout.fatSectors, true);
  }
  bytes[isFat32 ? 66 : 38] = 0x29;
  bytes.set(Buffer.from(`NO NAME    FAT${isFat32 ? '32' : geometry.bits}   `), isFat32 ? 71 : 43);
  view.setUint16(510, 0xaa55, true);
  return bytes;
}

/**
 * Replaces, in one sector of the table, every entry past the real clusters: by "bad cluster" for the library, or
 * by the bytes that stand there on the card.
 */
export function coverSurplusEntries(
  layout: LibraryLayout,
  index: number,
  sector: Uint8Array,
  real: Uint8Array | null,
): void {
  const { geometry } = layout;
  // FAT12 is never widened, and its entries do not keep to sectors.
  if (geometry.bits === 12) return;
  const entryBytes = geometry.bits / 8;
  const firstSurplus = (geometry.clusterCount + 2) * entryBytes - index * geometry.sectorBytes;
  const from = Math.max(0, firstSurplus);
  if (from >= sector.length) return;
  if (real !== null) {
    sector.set(real.subarray(from), from);
    return;
  }
  const mark = geometry.bits === 32 ? [0xf7, 0xff, 0xff, 0x0f] : [0xf7, 0xff];
  for (let at = from; at < sector.length; at += entryBytes) sector.set(mark, at);
}
