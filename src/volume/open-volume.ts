import type { ByteSource, ChangedRange } from '../contract/blocks.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { type Finding, finding } from '../contract/finding.ts';
import { type FatGeometry, parseBootSector } from './boot-sector.ts';
import { type AllocationFacts, checkAllocation } from './check-allocation.ts';
import { checkDirectories } from './check-directories.ts';
import {
  clusterBytes,
  countFreeClusters,
  type Editing,
  editAtomically,
  readVolumeFile,
  removeVolumeFile,
  removeVolumeFolder,
  writeVolumeFile,
} from './edit-files.ts';
import { findEntry, listEntries, readRootLabel, type VolumeEntry } from './fat/entries.ts';
import type { FatLibrary } from './fat/load-fat.ts';
import { openFatSession } from './fat/session.ts';
import { createOverlay, type Extent, type Overlay } from './overlay.ts';
import { splitVolumePath } from './volume-path.ts';

export type { VolumeEntry } from './fat/entries.ts';

/** A FAT volume as files. Nothing reaches the card: changes are collected, and handed out by `changes`. */
export interface BootVolume {
  readonly type: 'fat12' | 'fat16' | 'fat32';
  /** the root directory's label, else the boot sector's; null where there is none */
  readonly label: string | null;
  readonly freeBytes: number;
  /** what was noticed while opening and editing */
  readonly findings: readonly Finding[];
  /** names in a folder, in their order on the volume; '' is the root */
  list(path: string): VolumeEntry[];
  stat(path: string): VolumeEntry | null;
  readFile(path: string): Uint8Array;
  /**
   * Makes or replaces a file; missing folders are made. An existing name that differs in case is replaced and
   * then spelt as given. A failure leaves the volume as it was.
   */
  writeFile(path: string, bytes: Uint8Array): void;
  /** false where there was no such file */
  removeFile(path: string): boolean;
  /** false where there was no such folder, or something is in it */
  removeFolder(path: string): boolean;
  /** all of `action`'s edits or, if it throws, none */
  atomically<T>(action: () => T): T;
  /** what has to be written to the card, at its absolute offsets, in this order; checked once more as a whole */
  changes(): ChangedRange[];
  close(): void;
}

export interface OpenVolumeOptions {
  /** the time that files made here get, milliseconds since 1970, stored as UTC; the start of FAT time when left out */
  modifiedAtMs?: number;
  /** what `loadFat` gave; the one loaded last when left out */
  library?: FatLibrary;
}

const startOfFatTime = Date.UTC(1980, 0, 1);

function noteState(
  overlay: Overlay,
  geometry: FatGeometry,
  allocation: AllocationFacts,
  startByte: number,
): Finding[] {
  const findings: Finding[] = [];
  if (geometry.isDirty) findings.push(finding('volume.dirty', 'note', { where: 'boot sector' }));
  if (allocation.isDirty) findings.push(finding('volume.dirty', 'note', { where: 'allocation table' }));
  if (allocation.copiesDifferAt !== null) {
    const offset = startByte + allocation.copiesDifferAt;
    findings.push(finding('volume.copies-differ', 'note', { offset }));
  }
  if (geometry.fsInfoSector !== null) {
    const info = overlay.read(geometry.fsInfoSector * geometry.sectorBytes, 512);
    const said = new DataView(info.buffer, info.byteOffset).getUint32(488, true);
    if (said !== 0xffffffff && said !== allocation.freeClusters) {
      findings.push(finding('volume.free-count-wrong', 'note', { said, found: allocation.freeClusters }));
    }
  }
  return findings;
}

/** FSInfo is only followed where it carries its three signatures (specification 1.03, "FSInfo"). */
function withoutUnsignedFsInfo(overlay: Overlay, geometry: FatGeometry): FatGeometry {
  if (geometry.fsInfoSector === null) return geometry;
  const bytes = overlay.read(geometry.fsInfoSector * geometry.sectorBytes, 512);
  const view = new DataView(bytes.buffer, bytes.byteOffset);
  const signed =
    view.getUint32(0, true) === 0x41615252 &&
    view.getUint32(484, true) === 0x61417272 &&
    view.getUint32(508, true) === 0xaa550000;
  return signed ? geometry : { ...geometry, fsInfoSector: null };
}

function presentVolume(editing: Editing, label: string | null): BootVolume {
  const { overlay, geometry, session } = editing;
  let isOpen = true;
  const open = (): Editing => {
    if (!isOpen || !session.isMounted()) throw new CardwrightError('volume.closed');
    return editing;
  };
  let isEdited = false;
  /** What is only read may have damage elsewhere; what is edited may not. */
  const edit = <T>(action: () => T): T => {
    open();
    if (!isEdited) checkDirectories(overlay, geometry);
    isEdited = true;
    return editAtomically(editing, action);
  };
  return {
    type: `fat${geometry.bits}`,
    label,
    get freeBytes() {
      return countFreeClusters(open()) * clusterBytes(geometry);
    },
    findings: editing.findings,
    list: (path) => listEntries(open().session, path === '' ? '' : splitVolumePath(path).join('/')),
    stat: (path) => findEntry(open().session, splitVolumePath(path).join('/')),
    readFile: (path) => readVolumeFile(open(), path),
    writeFile: (path, bytes) => edit(() => writeVolumeFile(editing, path, bytes)),
    removeFile: (path) => edit(() => removeVolumeFile(editing, path)),
    removeFolder: (path) => edit(() => removeVolumeFolder(editing, path)),
    atomically: edit,
    changes() {
      open();
      checkAllocation(overlay, geometry);
      if (isEdited) checkDirectories(overlay, geometry);
      return overlay.changes();
    },
    close() {
      isOpen = false;
      session.close();
    },
  };
}

/**
 * Opens the FAT12, FAT16 or FAT32 volume in an extent of a source (a card, an image) for reading and editing.
 * `loadFat()` must have been awaited. The whole allocation table is read once and checked, and before the first edit
 * all folders; a volume that is damaged is refused, a dirty one is taken and noted. Close it: the library holds ten at
 * once.
 * @throws CardwrightError volume.* ; whatever the source throws
 */
export function openVolume(source: ByteSource, extent: Extent, options: OpenVolumeOptions = {}): BootVolume {
  const overlay = createOverlay(source, extent);
  const described = parseBootSector(overlay.read(0, Math.min(512, extent.sizeBytes)), extent.sizeBytes);
  const geometry = withoutUnsignedFsInfo(overlay, described);
  const allocation = checkAllocation(overlay, geometry);
  const findings = noteState(overlay, geometry, allocation, extent.startByte);
  const modifiedAtMs = options.modifiedAtMs ?? startOfFatTime;
  const session = openFatSession(overlay, geometry, allocation.freeClusters, modifiedAtMs, options.library);
  try {
    const label = readRootLabel(session) ?? geometry.label;
    return presentVolume({ overlay, geometry, session, findings }, label);
  } catch (error) {
    session.close();
    throw error;
  }
}
