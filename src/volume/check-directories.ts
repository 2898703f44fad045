import type { FatGeometry } from './boot-sector.ts';
import { type AllocationTable, damaged, openTable } from './check-allocation.ts';
import type { Overlay } from './overlay.ts';

const entryBytes = 32;
/** 65,536 entries (specification 1.03, "Directory Structure"), and as much as no boot volume has altogether. */
const mostFolderBytes = 65_536 * entryBytes;
const mostBytes = 64 * 2 ** 20;

interface RawEntry {
  isFolder: boolean;
  firstCluster: number;
}

const freeEntry = 0xe5;
const longName = 0x0f;
const label = 0x08;

/**
 * The entries in a piece of a folder that own clusters. Readers do not agree about what stands behind the first empty
 * entry: for the specification it is nothing, for Linux it is there, and a new entry might land where only some look.
 */
function readEntries(bytes: Uint8Array, bits: FatGeometry['bits'], hasEnded: boolean) {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const entries: RawEntry[] = [];
  let isEnd = hasEnded;
  for (let at = 0; at < bytes.length; at += entryBytes) {
    const first = bytes[at];
    if (isEnd && first !== 0) damaged('a folder goes on behind its end');
    isEnd ||= first === 0;
    const kind = view.getUint8(at + 11) & 0x3f;
    // "." and ".." lead to folders that are met by their own names
    if (isEnd || first === freeEntry || first === 0x2e || kind === longName || (kind & ~0x20) === label)
      continue;
    const high = bits === 32 ? view.getUint16(at + 20, true) : 0;
    const firstCluster = high * 0x10000 + view.getUint16(at + 26, true);
    if (firstCluster !== 0) entries.push({ isFolder: (kind & 0x10) !== 0, firstCluster });
  }
  return { entries, isEnd };
}

/** Which clusters another one leads to. */
function followers({ entryAt, end }: AllocationTable): Uint8Array {
  const follows = new Uint8Array(end);
  for (let cluster = 2; cluster < end; cluster++) {
    const next = entryAt(cluster);
    if (next >= 2 && next < end) follows[next] = 1;
  }
  return follows;
}

/** The places in the volume of a chain of clusters; of the fixed root directory where there is one. */
function* piecesOf(firstCluster: number, table: AllocationTable, geometry: FatGeometry) {
  const { sectorBytes, clusterSectors, dataSector, rootEntries } = geometry;
  if (firstCluster === 0) {
    const length = rootEntries * entryBytes;
    yield { at: dataSector * sectorBytes - length, length };
    return;
  }
  const length = clusterSectors * sectorBytes;
  for (let cluster = firstCluster; cluster < table.end; cluster = table.entryAt(cluster)) {
    yield { at: dataSector * sectorBytes + (cluster - 2) * length, length };
  }
}

/**
 * Looks through all folders once, before anything is edited: every file and folder begins at a cluster that is in
 * use, is the first of its chain, and is nobody else's. Freeing or filling a chain that has two names would destroy
 * what the other one holds, which the allocation table alone cannot show (Microsoft FAT32 File System Specification
 * 1.03, "FAT Directory Structure"). The table must have passed `checkAllocation`, so chains end.
 * @throws CardwrightError volume.damaged
 */
export function checkDirectories(overlay: Overlay, geometry: FatGeometry): void {
  const table = openTable(overlay, geometry);
  const follows = followers(table);
  const owned = new Set([geometry.rootCluster]);
  const folders = [geometry.rootCluster];
  let bytesLeft = mostBytes;

  const claim = ({ firstCluster, isFolder }: RawEntry): void => {
    if (firstCluster < 2 || firstCluster >= table.end)
      damaged(`a name leads to cluster ${firstCluster}, which it does not have`);
    const entry = table.entryAt(firstCluster);
    if (entry === 0 || entry === table.bad)
      damaged(`a name leads to cluster ${firstCluster}, which is not in use`);
    if (follows[firstCluster] !== 0) damaged(`a name leads to cluster ${firstCluster}, inside another file`);
    if (owned.has(firstCluster)) damaged(`two names lead to cluster ${firstCluster}`);
    owned.add(firstCluster);
    if (isFolder) folders.push(firstCluster);
  };

  for (let folder = folders.pop(); folder !== undefined; folder = folders.pop()) {
    let read = 0;
    let hasEnded = false;
    for (const { at, length } of piecesOf(folder, table, geometry)) {
      read += length;
      bytesLeft -= length;
      if (read > mostFolderBytes + length || bytesLeft < 0) damaged('a folder is larger than folders can be');
      const { entries, isEnd } = readEntries(overlay.read(at, length), geometry.bits, hasEnded);
      hasEnded = isEnd;
      for (const entry of entries) claim(entry);
    }
  }
}
