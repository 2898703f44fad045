import * as fat from 'js-fatfs';
import { type DriveDisk, loadedFat } from './fat/load-fat.ts';
import { openVolume } from './open-volume.ts';

const usualSectorBytes = 512;
const workBytes = 65_536;

/** A disk that is a stretch of memory, as the library's callbacks want it. */
function diskOver(bytes: Uint8Array, sectorBytes: number): DriveDisk {
  return {
    read(ff, _drive, address, sector, count) {
      const from = sector * sectorBytes;
      ff.HEAPU8.set(bytes.subarray(from, from + count * sectorBytes), address);
      return fat.RES_OK;
    },
    write(ff, _drive, address, sector, count) {
      bytes.set(ff.HEAPU8.subarray(address, address + count * sectorBytes), sector * sectorBytes);
      return fat.RES_OK;
    },
    ioctl(ff, _drive, command, address) {
      if (command === fat.GET_SECTOR_COUNT) ff.setValue(address, bytes.length / sectorBytes, 'i32');
      if (command === fat.GET_SECTOR_SIZE) ff.setValue(address, sectorBytes, 'i16');
      if (command === fat.GET_BLOCK_SIZE) ff.setValue(address, 1, 'i32');
      return fat.RES_OK;
    },
  };
}

/** How a volume is to be. */
interface VolumeShape {
  /** `by-size`: FAT16 up to 65,524 clusters, else FAT32 */
  kind: 'fat16' | 'fat32' | 'by-size';
  sectorBytes: number;
}

/**
 * Formats a stretch of memory as a FAT volume without a partition table of its own (Microsoft FAT specification 1.03).
 * `loadFat()` must have been awaited.
 */
export function formatVolume(bytes: Uint8Array, { kind, sectorBytes }: VolumeShape): void {
  const library = loadedFat();
  const { ff, drives } = library;
  const drive = drives.indexOf(null);
  const root = `${drive}:`;
  const work = ff.malloc(workBytes);
  drives[drive] = diskOver(bytes, sectorBytes);
  const kinds = { fat16: fat.FM_FAT, fat32: fat.FM_FAT32, 'by-size': fat.FM_FAT | fat.FM_FAT32 };
  try {
    const shape = { fmt: kinds[kind] | fat.FM_SFD, n_fat: 2, align: 1, n_root: 512, au_size: 0 };
    const result = ff.f_mkfs(root, shape, work, workBytes);
    if (result !== fat.FR_OK) throw new Error(`the FAT library could not format: ${result}`);
  } finally {
    drives[drive] = null;
    ff.free(work);
  }
}

/** A volume of this size with these files (name → text) in its root. `loadFat()` must have been awaited. */
export function makeVolume(sizeBytes: number, files: Readonly<Record<string, string>>): Uint8Array {
  const bytes = new Uint8Array(sizeBytes);
  formatVolume(bytes, { kind: 'by-size', sectorBytes: usualSectorBytes });
  const read = (offset: number, length: number) => bytes.slice(offset, offset + length);
  const volume = openVolume({ sizeBytes, read }, { startByte: 0, sizeBytes, sectorBytes: usualSectorBytes });
  try {
    for (const [name, text] of Object.entries(files)) volume.writeFile(name, Buffer.from(text));
    for (const { offset, data } of volume.changes()) bytes.set(data, offset);
  } finally {
    volume.close();
  }
  return bytes;
}
