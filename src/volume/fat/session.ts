import * as fat from 'js-fatfs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { FatGeometry } from '../boot-sector.ts';
import type { Overlay } from '../overlay.ts';
import { createVolumeDisk, type VolumeDisk } from './drive-disk.ts';
import { layOutForLibrary } from './library-layout.ts';
import { brokenOff, driveCount, type FatLibrary, loadedFat } from './load-fat.ts';

/** One volume mounted in the library: calls go through `run`, which bounds them and turns what went wrong into errors. */
export interface FatSession {
  readonly ff: FatLibrary['ff'];
  readonly disk: VolumeDisk;
  /** the path as the library wants it, with its drive */
  pathOf(path: string): string;
  /**
   * One call of the library, which gives its result number.
   * @param fileSectors how many sectors of file content it may have to touch
   */
  run(call: string, action: () => number, fileSectors?: number): number;
  /** memory inside the library for the time of `use`; `content` says that file content passes through it */
  withMemory<T>(sizeBytes: number, kind: 'content' | 'other', use: (address: number) => T): T;
  /** forgets what the library keeps in memory, after the overlay was changed beside it */
  remount(): void;
  isMounted(): boolean;
  close(): void;
}

/** Sectors that any call may touch beside the table and the file: a directory of 2 MiB, the longest there can be, on each level. */
const sectorsForFolders = 40_000;

export function failLibrary(call: string, path: string, result: number): never {
  if (result === fat.FR_INT_ERR || result === fat.FR_DISK_ERR || result === fat.FR_NO_FILESYSTEM) {
    const why = `its tables contradict each other${path === '' ? '' : ` at ${path}`}`;
    throw new CardwrightError('volume.damaged', { facts: { why } });
  }
  throw new CardwrightError('volume.library-failed', { facts: { call, path, result } });
}

function createMemory(ff: FatLibrary['ff']) {
  const content = new Map<number, number>();
  const holds = (address: number) =>
    [...content].some(([start, sizeBytes]) => address >= start && address < start + sizeBytes);
  const withMemory = <T>(sizeBytes: number, kind: 'content' | 'other', use: (address: number) => T): T => {
    const address = ff.malloc(sizeBytes);
    if (address === 0) failLibrary('malloc', '', fat.FR_NOT_ENOUGH_CORE);
    ff.HEAPU8.fill(0, address, address + sizeBytes);
    if (kind === 'content') content.set(address, sizeBytes);
    try {
      return use(address);
    } finally {
      content.delete(address);
      ff.free(address);
    }
  };
  return { holds, withMemory };
}

/**
 * Mounts a checked volume in a free drive of the library.
 * @param modifiedAtMs the time that changed files get, milliseconds since 1970, written as UTC
 * @throws CardwrightError volume.library-not-loaded, volume.too-many-open, volume.damaged
 */
export function openFatSession(
  overlay: Overlay,
  geometry: FatGeometry,
  freeClusters: number,
  modifiedAtMs: number,
  library: FatLibrary = loadedFat(),
): FatSession {
  const { ff } = library;
  const drive = library.drives.indexOf(null);
  if (drive < 0) throw new CardwrightError('volume.too-many-open', { facts: { most: driveCount } });
  const layout = layOutForLibrary(geometry);
  const memory = createMemory(ff);
  const disk = createVolumeDisk(overlay, layout, memory);
  disk.freeClusters = freeClusters;

  const run: FatSession['run'] = (call, action, fileSectors = 0) => {
    if (library.isBroken) throw brokenOff();
    disk.failure = null;
    disk.sectorsLeft = sectorsForFolders + 8 * (layout.fatSectors + fileSectors);
    library.clock.nowMs = modifiedAtMs;
    let result: number;
    try {
      result = action();
    } catch (cause) {
      library.isBroken = true;
      const why = `the FAT library broke off at ${call}`;
      throw new CardwrightError('volume.damaged', { facts: { why }, cause });
    }
    if (disk.failure instanceof CardwrightError) throw disk.failure;
    if (disk.failure !== null) {
      const reason = disk.failure instanceof Error ? disk.failure.message : String(disk.failure);
      throw new CardwrightError('volume.read-failed', { facts: { reason }, cause: disk.failure });
    }
    return result;
  };

  const fatFs = ff.malloc(fat.sizeof_FATFS);
  const root = `${drive}:`;
  library.drives[drive] = disk;
  const mount = (address: number, now: number) => {
    const result = run('f_mount', () => ff.f_mount(address, root, now));
    if (result !== fat.FR_OK) failLibrary('f_mount', '', result);
  };
  const close = () => {
    if (library.drives[drive] !== disk) return;
    try {
      if (!library.isBroken) mount(0, 0);
    } finally {
      library.drives[drive] = null;
      if (!library.isBroken) ff.free(fatFs);
    }
  };
  try {
    mount(fatFs, 1);
  } catch (error) {
    close();
    throw error;
  }
  return {
    ff,
    disk,
    pathOf: (path) => `${root}/${path}`,
    run,
    withMemory: memory.withMemory,
    remount: () => mount(fatFs, 1),
    isMounted: () => library.drives[drive] === disk,
    close,
  };
}
