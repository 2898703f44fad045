import { CardwrightError } from '../contract/cardwright-error.ts';
import type { FatGeometry } from './boot-sector.ts';
import type { Overlay } from './overlay.ts';

export interface AllocationFacts {
  freeClusters: number;
  /** the clean-shutdown or no-error bit of entry 1 is cleared (FAT16 and FAT32) */
  isDirty: boolean;
  /** byte in the volume where the second copy first differs from the first; null where they agree */
  copiesDifferAt: number | null;
}

const chunkBytes = 2 ** 18;
const badEntry = { 12: 0xff7, 16: 0xfff7, 32: 0x0ffffff7 } as const;

export function damaged(why: string): never {
  throw new CardwrightError('volume.damaged', { facts: { why } });
}

function readTable(overlay: Overlay, geometry: FatGeometry, copy: number, usedBytes: number): Uint8Array {
  const start = (geometry.reservedSectors + copy * geometry.fatSectors) * geometry.sectorBytes;
  const table = new Uint8Array(usedBytes);
  for (let at = 0; at < usedBytes; at += chunkBytes) {
    table.set(overlay.read(start + at, Math.min(chunkBytes, usedBytes - at)), at);
  }
  return table;
}

function entryReader(bits: FatGeometry['bits'], table: Uint8Array): (cluster: number) => number {
  const view = new DataView(table.buffer, table.byteOffset, table.byteLength);
  if (bits === 32) return (cluster) => view.getUint32(cluster * 4, true) & 0x0fffffff;
  if (bits === 16) return (cluster) => view.getUint16(cluster * 2, true);
  return (cluster) => {
    const at = cluster + (cluster >> 1);
    const pair = (table[at] ?? 0) | ((table[at + 1] ?? 0) << 8);
    return cluster & 1 ? pair >> 4 : pair & 0xfff;
  };
}

interface Chains {
  /** for every cluster: how many entries point to it, at most 1 */
  pointedTo: Uint8Array;
  allocated: number;
  freeClusters: number;
}

/** Every pointer leads to an allocated cluster, and no two lead to the same. */
function checkPointers(entryAt: (cluster: number) => number, end: number, bad: number): Chains {
  const pointedTo = new Uint8Array(end);
  let allocated = 0;
  let freeClusters = 0;
  for (let cluster = 2; cluster < end; cluster++) {
    const next = entryAt(cluster);
    if (next === 0) freeClusters++;
    if (next === 0 || next === bad) continue;
    allocated++;
    if (next > bad) continue;
    if (next < 2 || next >= end) damaged(`cluster ${cluster} is followed by ${next}, which does not exist`);
    if (pointedTo[next] !== 0) damaged(`two chains of clusters meet in cluster ${next}`);
    pointedTo[next] = 1;
    const target = entryAt(next);
    if (target === 0 || target === bad)
      damaged(`cluster ${cluster} is followed by ${next}, which is not in use`);
  }
  return { pointedTo, allocated, freeClusters };
}

/** With at most one pointer to each cluster, what no chain's first cluster leads to is a loop. */
function checkLoops(entryAt: (cluster: number) => number, end: number, bad: number, chains: Chains): void {
  let reached = 0;
  for (let first = 2; first < end; first++) {
    const entry = entryAt(first);
    if (chains.pointedTo[first] !== 0 || entry === 0 || entry === bad) continue;
    for (let at = first; at < bad; at = entryAt(at)) reached++;
  }
  if (reached !== chains.allocated) damaged('a chain of clusters runs in a circle');
}

function firstDifference(a: Uint8Array, b: Uint8Array): number | null {
  if (Buffer.compare(a, b) === 0) return null;
  return a.findIndex((byte, at) => byte !== b[at]);
}

function isMarkedDirty(bits: FatGeometry['bits'], entry: number): boolean {
  if (bits === 12) return false;
  const bothClean = bits === 32 ? 0x0c000000 : 0xc000;
  return (entry & bothClean) !== bothClean;
}

/** The first copy of the allocation table, entry by entry. */
export interface AllocationTable {
  /** as it is stored */
  bytes: Uint8Array;
  entryAt(cluster: number): number;
  /** one more than the highest cluster */
  end: number;
  /** the entry of a bad cluster; what is above it ends a chain */
  bad: number;
}

export function openTable(overlay: Overlay, geometry: FatGeometry): AllocationTable {
  const { bits, clusterCount } = geometry;
  const end = clusterCount + 2;
  const bytes = readTable(overlay, geometry, 0, Math.ceil((end * bits) / 8));
  return { bytes, entryAt: entryReader(bits, bytes), end, bad: badEntry[bits] };
}

/**
 * Looks through the whole allocation table once, before anything is edited: freeing a chain that two files share,
 * or that runs in a circle, would destroy what the image holds. What the table alone cannot show (two directory
 * entries with one and the same first cluster) `checkDirectories` finds. Time and memory are bounded by the cluster
 * count.
 * Entry values: Microsoft FAT32 File System Specification 1.03, "FAT Data Structure".
 * @throws CardwrightError volume.damaged
 */
export function checkAllocation(overlay: Overlay, geometry: FatGeometry): AllocationFacts {
  const { bits, rootCluster } = geometry;
  const { bytes: table, entryAt, end, bad } = openTable(overlay, geometry);
  const chains = checkPointers(entryAt, end, bad);
  checkLoops(entryAt, end, bad, chains);
  if (bits === 32) {
    const root = entryAt(rootCluster);
    if (root === 0 || root === bad || chains.pointedTo[rootCluster] !== 0) {
      damaged(`the root directory’s first cluster, ${rootCluster}, is not the start of a chain`);
    }
  }
  const other = geometry.fatCopies === 2 ? readTable(overlay, geometry, 1, table.length) : table;
  const differsAt = firstDifference(table, other);
  return {
    freeClusters: chains.freeClusters,
    isDirty: isMarkedDirty(bits, entryAt(1)),
    copiesDifferAt:
      differsAt === null
        ? null
        : (geometry.reservedSectors + geometry.fatSectors) * geometry.sectorBytes + differsAt,
  };
}
