import * as fat from 'js-fatfs';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { type Finding, finding } from '../contract/finding.ts';
import type { FatGeometry } from './boot-sector.ts';
import { readContent, writeContent } from './fat/contents.ts';
import {
  clearReadOnlyMark,
  findEntry,
  findEntrySector,
  findRawEntry,
  findShortNamesake,
  listEntries,
  type VolumeEntry,
} from './fat/entries.ts';
import { type FatSession, failLibrary } from './fat/session.ts';
import { type Overlay, writeOrder } from './overlay.ts';
import { splitVolumePath } from './volume-path.ts';

/** A mounted volume while it is edited. */
export interface Editing {
  readonly overlay: Overlay;
  readonly geometry: FatGeometry;
  readonly session: FatSession;
  readonly findings: Finding[];
}

/** First-boot files are small; what is larger is a mistake or a damaged entry. */
const mostFileBytes = 64 * 2 ** 20;

export function clusterBytes(geometry: FatGeometry): number {
  return geometry.sectorBytes * geometry.clusterSectors;
}

export function countFreeClusters({ session }: Editing): number {
  const { ff } = session;
  return session.withMemory(4, 'other', (count) =>
    session.withMemory(4, 'other', (place) => {
      const result = session.run('f_getfree', () => ff.f_getfree(session.pathOf(''), count, place));
      if (result !== fat.FR_OK) failLibrary('f_getfree', '', result);
      return ff.getValue(count, 'i32') >>> 0;
    }),
  );
}

/** The library also finds a file by its 8.3 name; an edit must not meet another file that way. */
function statExactly({ session }: Editing, path: string): VolumeEntry | null {
  splitVolumePath(path);
  const entry = findEntry(session, path);
  if (entry !== null) return entry;
  const namesake = findShortNamesake(session, path);
  if (namesake === null) return null;
  const why = `it is the short name of ${namesake.name}, which is there already`;
  throw new CardwrightError('volume.bad-name', { facts: { path, why } });
}

function statFile(editing: Editing, path: string): VolumeEntry | null {
  const entry = statExactly(editing, path);
  if (entry?.kind === 'folder') throw new CardwrightError('volume.not-a-file', { facts: { path } });
  return entry;
}

/** Takes a read-only mark off an existing file, which would be in the way of replacing or removing it. */
function claimFile(editing: Editing, path: string, entry: VolumeEntry): void {
  const { overlay, geometry, session } = editing;
  session.disk.freeClusters = countFreeClusters(editing);
  if (!entry.isReadOnly) return;
  const sector = findEntrySector(session, path);
  const bytes = sector === null ? null : readSector(editing, sector);
  const raw = bytes === null ? null : findRawEntry(bytes, entry);
  if (sector === null || raw === null) failLibrary('f_stat', path, fat.FR_INT_ERR);
  clearReadOnlyMark(raw);
  overlay.write(sector * geometry.sectorBytes, raw.sector, writeOrder.directory);
  session.remount();
  editing.findings.push(finding('volume.read-only-replaced', 'note', { path }));
}

function readSector({ overlay, geometry }: Editing, sector: number): Uint8Array {
  return overlay.read(sector * geometry.sectorBytes, geometry.sectorBytes);
}

function makeFolder(editing: Editing, path: string): void {
  const { session, geometry } = editing;
  const entry = statExactly(editing, path);
  if (entry?.kind === 'file') throw new CardwrightError('volume.not-a-folder', { facts: { path } });
  if (entry !== null) return;
  const make = () => session.ff.f_mkdir(session.pathOf(path));
  const made = session.run('f_mkdir', make, geometry.clusterSectors);
  if (made === fat.FR_DENIED) throw new CardwrightError('volume.folder-full', { facts: { path } });
  if (made !== fat.FR_OK) failLibrary('f_mkdir', path, made);
}

function unlink({ session }: Editing, path: string): void {
  const removed = session.run('f_unlink', () => session.ff.f_unlink(session.pathOf(path)));
  if (removed !== fat.FR_OK) failLibrary('f_unlink', path, removed);
}

function checkSize(path: string, sizeBytes: number): void {
  if (sizeBytes <= mostFileBytes) return;
  const facts = { path, sizeBytes, mostBytes: mostFileBytes };
  throw new CardwrightError('volume.file-too-large', { facts });
}

export function readVolumeFile(editing: Editing, path: string): Uint8Array {
  const entry = statFile(editing, path);
  if (entry === null) throw new CardwrightError('volume.not-found', { facts: { path } });
  checkSize(path, entry.sizeBytes);
  return readContent(editing.session, path, entry.sizeBytes);
}

/** Not atomic by itself: a failure leaves half an edit, which the caller throws away. */
export function writeVolumeFile(editing: Editing, path: string, bytes: Uint8Array): void {
  const names = splitVolumePath(path);
  checkSize(path, bytes.length);
  for (let depth = 1; depth < names.length; depth++) makeFolder(editing, names.slice(0, depth).join('/'));
  const entry = statFile(editing, path);
  if (entry !== null) claimFile(editing, path, entry);
  const oneCluster = clusterBytes(editing.geometry);
  const replaced = Math.ceil((entry?.sizeBytes ?? 0) / oneCluster);
  const freeBytes = (countFreeClusters(editing) + replaced) * oneCluster;
  // A name that is only replaced keeps its old spelling, and first-boot readers want theirs.
  if (entry !== null && entry.name !== names.at(-1)) unlink(editing, path);
  if (bytes.length > freeBytes || !writeContent(editing.session, path, bytes)) {
    throw new CardwrightError('volume.full', { facts: { path, sizeBytes: bytes.length, freeBytes } });
  }
}

/** @returns false where there was no such file */
export function removeVolumeFile(editing: Editing, path: string): boolean {
  const entry = statFile(editing, path);
  if (entry === null) return false;
  claimFile(editing, path, entry);
  unlink(editing, path);
  return true;
}

/** Takes an empty folder away. @returns false where there is none, or something is in it */
export function removeVolumeFolder(editing: Editing, path: string): boolean {
  const entry = statExactly(editing, path);
  if (entry?.kind !== 'folder' || listEntries(editing.session, path).length > 0) return false;
  editing.session.disk.freeClusters = countFreeClusters(editing);
  unlink(editing, path);
  return true;
}

/** All that `action` edits, or nothing: on an error the overlay and the findings go back to where they were. */
export function editAtomically<T>(editing: Editing, action: () => T): T {
  const { overlay, session, findings } = editing;
  const noted = findings.length;
  const freeClusters = countFreeClusters(editing);
  const restore = overlay.checkpoint();
  try {
    return action();
  } catch (error) {
    restore();
    findings.length = noted;
    session.disk.freeClusters = freeClusters;
    try {
      session.remount();
    } catch {
      // The first error is the one to tell; a volume that cannot be mounted again answers nothing from here on.
      session.close();
    }
    throw error;
  }
}
