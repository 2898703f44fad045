import {
  CTRL_SYNC,
  type FatFs,
  GET_BLOCK_SIZE,
  GET_SECTOR_COUNT,
  GET_SECTOR_SIZE,
  RES_ERROR,
  RES_OK,
} from 'js-fatfs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type Overlay, type WriteOrder, writeOrder } from '../overlay.ts';
import {
  coverSurplusEntries,
  type LibraryLayout,
  makeShownBootSector,
  placeOf,
  type SectorPlace,
} from './library-layout.ts';
import type { DriveDisk } from './load-fat.ts';

/** Pieces of the library's memory that hold file content, by address: what is written from there is file data. */
export interface ContentMemory {
  holds(address: number): boolean;
}

export interface VolumeDisk extends DriveDisk {
  /** sectors that may still be read and written before the volume counts as damaged */
  sectorsLeft: number;
  /** the first thing that went wrong in a callback, to be thrown once the library has returned */
  failure: unknown;
  /** clusters shown as free in FSInfo: counted, so that the library keeps the number right from there */
  freeClusters: number;
  /** the last sector that was read, within the real volume; null where it was none of the content area */
  lastContentSector: number | null;
  /** told of every content sector that is read; for what the library does not tell */
  onContentRead: ((bytes: Uint8Array) => void) | null;
}

/** FSInfo: free count and next free cluster (Microsoft FAT32 File System Specification 1.03, "FSInfo"). */
const freeCountAt = 488;
const fsInfoCountsEnd = 496;

function outOfBounds(sector: number, why: string): CardwrightError {
  return new CardwrightError('volume.damaged', {
    facts: { why: `${why} sector ${sector}, which it does not have` },
  });
}

/** What the disk's functions share. */
interface Parts {
  overlay: Overlay;
  layout: LibraryLayout;
  disk: VolumeDisk;
}

function readReal({ overlay, layout }: Parts, sector: number, count = 1): Uint8Array {
  const { sectorBytes } = layout.geometry;
  return overlay.read(sector * sectorBytes, count * sectorBytes);
}

function readTable(parts: Parts, place: Extract<SectorPlace, { kind: 'allocation' }>): Uint8Array {
  const real = place.sector === null ? null : readReal(parts, place.sector);
  const bytes = real ?? new Uint8Array(parts.layout.geometry.sectorBytes);
  coverSurplusEntries(parts.layout, place.index, bytes, null);
  return bytes;
}

function readShown(parts: Parts, shown: number): Uint8Array {
  const { layout, disk } = parts;
  const place = placeOf(layout, shown);
  disk.lastContentSector = place.kind === 'content' ? place.sector : null;
  if (place.kind === 'boot') return makeShownBootSector(layout);
  if (place.kind === 'allocation') return readTable(parts, place);
  if (place.kind === 'nowhere') throw outOfBounds(shown, 'a file leads to');
  const bytes = readReal(parts, place.sector);
  if (place.kind === 'fs-info') {
    new DataView(bytes.buffer, bytes.byteOffset).setUint32(freeCountAt, disk.freeClusters, true);
  }
  if (place.kind === 'content') disk.onContentRead?.(bytes);
  return bytes;
}

function writeShown(parts: Parts, shown: number, bytes: Uint8Array, order: WriteOrder): void {
  const { overlay, layout } = parts;
  const { sectorBytes } = layout.geometry;
  const place = placeOf(layout, shown);
  if (place.kind === 'content') {
    overlay.write(place.sector * sectorBytes, bytes, order);
  } else if (place.kind === 'fs-info') {
    const real = readReal(parts, place.sector);
    real.set(bytes.subarray(freeCountAt, fsInfoCountsEnd), freeCountAt);
    overlay.write(place.sector * sectorBytes, real, writeOrder.directory);
  } else if (place.kind === 'allocation' && place.sector !== null) {
    coverSurplusEntries(layout, place.index, bytes, readReal(parts, place.sector));
    overlay.write(place.sector * sectorBytes, bytes, writeOrder.allocation);
  } else {
    throw outOfBounds(shown, 'an edit leads to');
  }
}

/** Runs a callback's work within its bound, and keeps what went wrong instead of throwing it. */
function guarded(disk: VolumeDisk, count: number, action: () => void): number {
  try {
    if (disk.failure !== null) return RES_ERROR;
    disk.sectorsLeft -= count;
    if (disk.sectorsLeft < 0) {
      const why = 'it takes more reading than any sound volume of its size';
      throw new CardwrightError('volume.damaged', { facts: { why } });
    }
    action();
    return RES_OK;
  } catch (error) {
    disk.failure ??= error;
    return RES_ERROR;
  }
}

/** First real sector of several content sectors, which can be read at once; else null. */
function contentRun(layout: LibraryLayout, shown: number, count: number): number | null {
  const first = placeOf(layout, shown);
  const last = placeOf(layout, shown + count - 1);
  return count > 1 && first.kind === 'content' && last.kind === 'content' ? first.sector : null;
}

/**
 * The library's disk: shown sectors in, overlay bytes out. Callbacks never throw through the library, which would
 * leave its stack askew; they keep the error and answer RES_ERROR.
 */
export function createVolumeDisk(
  overlay: Overlay,
  layout: LibraryLayout,
  content: ContentMemory,
): VolumeDisk {
  const { sectorBytes } = layout.geometry;
  const disk: VolumeDisk = {
    sectorsLeft: 0,
    failure: null,
    freeClusters: 0,
    lastContentSector: null,
    onContentRead: null,
    read: (ff: FatFs, _drive, address, sector, count) =>
      guarded(disk, count, () => {
        const run = contentRun(layout, sector, count);
        if (run !== null) ff.HEAPU8.set(readReal(parts, run, count), address);
        else
          for (let i = 0; i < count; i++)
            ff.HEAPU8.set(readShown(parts, sector + i), address + i * sectorBytes);
      }),
    write: (ff: FatFs, _drive, address, sector, count) =>
      guarded(disk, count, () => {
        const order = content.holds(address) ? writeOrder.fileData : writeOrder.directory;
        for (let i = 0; i < count; i++) {
          const at = address + i * sectorBytes;
          writeShown(parts, sector + i, ff.HEAPU8.slice(at, at + sectorBytes), order);
        }
      }),
    ioctl(ff: FatFs, _drive, command, address) {
      if (command === GET_SECTOR_COUNT) ff.setValue(address, layout.totalSectors, 'i32');
      else if (command === GET_SECTOR_SIZE) ff.setValue(address, sectorBytes, 'i16');
      else if (command === GET_BLOCK_SIZE) ff.setValue(address, 1, 'i32');
      else if (command !== CTRL_SYNC) return RES_ERROR;
      return RES_OK;
    },
  };
  const parts: Parts = { overlay, layout, disk };
  return disk;
}
