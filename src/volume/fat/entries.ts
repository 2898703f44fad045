import * as fat from 'js-fatfs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type FatSession, failLibrary } from './session.ts';

/** One name in a folder of the volume. */
export interface VolumeEntry {
  name: string;
  kind: 'file' | 'folder';
  /** 0 for a folder */
  sizeBytes: number;
  isReadOnly: boolean;
  /** the 8.3 name it also answers to, as stored: capital letters */
  shortName: string;
}

function entryAt(session: FatSession, info: number): VolumeEntry {
  const { ff } = session;
  const name = ff.FILINFO_fname(info);
  const attributes = ff.FILINFO_fattrib(info);
  const isFolder = (attributes & fat.AM_DIR) !== 0;
  return {
    name,
    kind: isFolder ? 'folder' : 'file',
    sizeBytes: isFolder ? 0 : ff.FILINFO_fsize(info),
    isReadOnly: (attributes & fat.AM_RDO) !== 0,
    shortName: ff.FILINFO_altname(info) || name,
  };
}

function listFolder(session: FatSession, path: string): VolumeEntry[] | null {
  const { ff } = session;
  return session.withMemory(fat.sizeof_DIR, 'other', (folder) =>
    session.withMemory(fat.sizeof_FILINFO, 'other', (info) => {
      const opened = session.run('f_opendir', () => ff.f_opendir(folder, session.pathOf(path)));
      if (opened === fat.FR_NO_FILE || opened === fat.FR_NO_PATH) return null;
      if (opened !== fat.FR_OK) failLibrary('f_opendir', path, opened);
      const entries: VolumeEntry[] = [];
      for (;;) {
        const result = session.run('f_readdir', () => ff.f_readdir(folder, info));
        if (result !== fat.FR_OK) failLibrary('f_readdir', path, result);
        if (ff.FILINFO_fname(info) === '') break;
        entries.push(entryAt(session, info));
      }
      return entries;
    }),
  );
}

/** The names in a folder in their order on the volume; '' is the root. @throws CardwrightError volume.not-found */
export function listEntries(session: FatSession, path: string): VolumeEntry[] {
  const entries = listFolder(session, path);
  if (entries === null) throw new CardwrightError('volume.not-found', { facts: { path } });
  return entries;
}

/** FAT compares names letter by letter; a letter whose capital form is two letters has none. */
function capitals(name: string): string {
  return [...name]
    .map((letter) => (letter.toUpperCase().length === letter.length ? letter.toUpperCase() : letter))
    .join('');
}

/**
 * What stands at a path, by its long name alone, spelt as it is stored; null where there is nothing. The library's
 * own look-up also answers to 8.3 names, and echoes the spelling it was asked with.
 */
export function findEntry(session: FatSession, path: string): VolumeEntry | null {
  const wanted = capitals(path.slice(path.lastIndexOf('/') + 1));
  const siblings = listFolder(session, path.includes('/') ? path.slice(0, path.lastIndexOf('/')) : '');
  return siblings?.find((entry) => capitals(entry.name) === wanted) ?? null;
}

/** The entry that would be met by its 8.3 name if a file were made at this path; null where there is none. */
export function findShortNamesake(session: FatSession, path: string): VolumeEntry | null {
  const wanted = capitals(path.slice(path.lastIndexOf('/') + 1));
  const siblings = listFolder(session, path.includes('/') ? path.slice(0, path.lastIndexOf('/')) : '');
  return siblings?.find((entry) => entry.shortName === wanted && capitals(entry.name) !== wanted) ?? null;
}

/** Sector of the real volume that holds a path's 8.3 entry: the last one the library reads for it after a fresh mount. */
export function findEntrySector(session: FatSession, path: string): number | null {
  session.remount();
  return session.withMemory(fat.sizeof_FILINFO, 'other', (info) => {
    const result = session.run('f_stat', () => session.ff.f_stat(session.pathOf(path), info));
    if (result !== fat.FR_OK) failLibrary('f_stat', path, result);
    return session.disk.lastContentSector;
  });
}

const entryBytes = 32;
const attributeAt = 11;
const isLongNamePart = (attributes: number) => (attributes & 0x3f) === 0x0f;

/** The 32-byte entries of a directory sector up to its end mark, without deleted ones and parts of long names. */
function* rawEntries(sector: Uint8Array): Generator<{ at: number; name: string; attributes: number }> {
  for (let at = 0; at + entryBytes <= sector.length && sector[at] !== 0; at += entryBytes) {
    const attributes = sector[at + attributeAt] ?? 0;
    if (sector[at] === 0xe5 || isLongNamePart(attributes)) continue;
    yield { at, name: Buffer.from(sector.subarray(at, at + attributeAt)).toString('latin1'), attributes };
  }
}

/**
 * The volume's label as its root directory has it; null where it has none. The library does not tell labels, but it
 * reads past them: what it reads while listing the root is looked at. (Microsoft's specification 1.03,
 * "FAT Directory Structure", ATTR_VOLUME_ID.)
 */
export function readRootLabel(session: FatSession): string | null {
  let label: string | null = null;
  session.disk.onContentRead = (sector) => {
    for (const entry of rawEntries(sector)) {
      if ((entry.attributes & (fat.AM_DIR | 0x08)) === 0x08) label ??= entry.name.trimEnd();
    }
  };
  try {
    listEntries(session, '');
  } finally {
    session.disk.onContentRead = null;
  }
  return label === '' ? null : label;
}

/** The 11 bytes of a short name; what is beyond ASCII stands in a code page of its own and matches any such byte. */
function matchesShortName(stored: string, shortName: string): boolean {
  const dot = shortName.lastIndexOf('.');
  const [body, ending] = dot > 0 ? [shortName.slice(0, dot), shortName.slice(dot + 1)] : [shortName, ''];
  const wanted = `${body.padEnd(8)}${ending.padEnd(3)}`.toUpperCase();
  const isBeyond = (text: string, at: number) => text.charCodeAt(at) > 0x7f || text.charCodeAt(at) === 0x05;
  return (
    wanted.length === stored.length &&
    [...stored].every((letter, at) => letter === wanted[at] || (isBeyond(stored, at) && isBeyond(wanted, at)))
  );
}

/** One 32-byte entry where it stands. */
export interface RawEntry {
  /** the whole sector, to be changed and written back */
  sector: Uint8Array;
  /** where the entry begins in it */
  at: number;
}

/** The entry with this short name and size in a directory sector; null where there is not exactly one. */
export function findRawEntry(sector: Uint8Array, entry: VolumeEntry): RawEntry | null {
  const view = new DataView(sector.buffer, sector.byteOffset, sector.byteLength);
  const found = [...rawEntries(sector)].filter(
    ({ at, name }) =>
      matchesShortName(name, entry.shortName) && view.getUint32(at + 28, true) === entry.sizeBytes,
  );
  const [only] = found;
  if (only === undefined || found.length !== 1) return null;
  return { sector, at: only.at };
}

/** Takes the read-only mark off an entry's bytes; the library has no call for it in this build. */
export function clearReadOnlyMark({ sector, at }: RawEntry): void {
  sector[at + attributeAt] = (sector[at + attributeAt] ?? 0) & ~fat.AM_RDO;
}
