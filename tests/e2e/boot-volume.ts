/** What stands in a boot volume, told by programs of others (mtools), and which of its bytes an edit may change. */
import { execFileSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import * as fs from 'node:fs';
import { join, relative } from 'node:path';

/** A volume inside a file: an image, or a card's medium. */
export interface VolumeInFile {
  path: string;
  startByte: number;
  sizeBytes: number;
}

const env = { ...process.env, TZ: 'UTC', MTOOLSRC: '/dev/null' };

function mtools({ path, startByte }: VolumeInFile, program: string, args: readonly string[]): string {
  const all = ['-i', `${path}@@${startByte}`, ...args];
  return execFileSync(program, all, { env, encoding: 'latin1', stdio: ['ignore', 'pipe', 'pipe'] });
}

/** Every file of a volume as mtools reads it: path → SHA-256, lower-case hex. */
export function filesIn(volume: VolumeInFile): Map<string, string> {
  const folder = fs.mkdtempSync('/dev/shm/cardwright-files-');
  try {
    mtools(volume, 'mcopy', ['-s', '-n', '::*', folder]);
    const entries = fs.readdirSync(folder, { recursive: true, withFileTypes: true });
    return new Map(
      entries
        .filter((entry) => entry.isFile())
        .map((entry) => {
          const path = join(entry.parentPath, entry.name);
          return [
            relative(folder, path),
            createHash('sha256').update(fs.readFileSync(path)).digest('hex'),
          ] as const;
        })
        .sort(),
    );
  } finally {
    fs.rmSync(folder, { recursive: true, force: true });
  }
}

export function textOf(volume: VolumeInFile, path: string): string {
  return mtools(volume, 'mtype', [`::/${path}`]);
}

/** Microsoft FAT specification 1.03, "Boot Sector and BPB": where tables, root and clusters lie, in bytes. */
function readLayout(bytes: Buffer) {
  const sector = bytes.readUInt16LE(11);
  const isFat32 = bytes.readUInt16LE(22) === 0;
  const tableBytes = sector * (isFat32 ? bytes.readUInt32LE(36) : bytes.readUInt16LE(22));
  const tables = sector * bytes.readUInt16LE(14);
  const tableCount = bytes.readUInt8(16);
  const root = tables + tableCount * tableBytes;
  const rootBytes = Math.ceil((bytes.readUInt16LE(17) * 32) / sector) * sector;
  return {
    tables,
    tableBytes,
    tableCount,
    root,
    rootBytes,
    clusters: root + rootBytes,
    clusterBytes: sector * bytes.readUInt8(13),
    infoSector: isFat32 ? { offset: sector * bytes.readUInt16LE(48), length: sector } : null,
    isFat32,
  };
}

/** "::/user-data <2-3> <9>": the clusters of each file, from mshowfat. */
function clustersOf(volume: VolumeInFile, paths: readonly string[]): number[] {
  if (paths.length === 0) return [];
  const told = mtools(
    volume,
    'mshowfat',
    paths.map((path) => `::/${path}`),
  );
  return [...told.matchAll(/<(\d+)(?:-(\d+))?>/g)].flatMap(([, first, last = first]) =>
    Array.from({ length: Number(last) - Number(first) + 1 }, (_, at) => Number(first) + at),
  );
}

/**
 * The places in which a volume differs from the one it was made from, outside of what an edit of these files may
 * change: the allocation tables, the root directory, the files' own clusters before and after, and FAT32's count of
 * free clusters. Each as the byte within the volume. Also "tables" where the copies of the table are not alike.
 */
export function changesBeside(
  before: VolumeInFile,
  after: VolumeInFile,
  edited: readonly string[],
): (number | 'tables')[] {
  const [old, now] = [before, after].map(readVolume) as [Buffer, Buffer];
  const layout = readLayout(old);
  const { tables, tableBytes, tableCount, root, rootBytes, infoSector } = layout;
  const table = (at: number) => now.subarray(tables + at * tableBytes, tables + (at + 1) * tableBytes);
  const differing = tableCount === 2 && !table(0).equals(table(1)) ? ['tables' as const] : [];
  const known = filesIn(before);
  const clusters = new Set([
    ...clustersOf(before, [...edited.filter((path) => known.has(path)), ...(layout.isFat32 ? [''] : [])]),
    ...clustersOf(after, [...edited, ...(layout.isFat32 ? [''] : [])]),
  ]);
  const free = [
    { offset: tables, length: tableCount * tableBytes },
    { offset: root, length: rootBytes },
    ...(infoSector ? [infoSector] : []),
    ...[...clusters].map((cluster) => ({
      offset: layout.clusters + (cluster - 2) * layout.clusterBytes,
      length: layout.clusterBytes,
    })),
  ];
  for (const { offset, length } of free)
    for (const bytes of [old, now]) bytes.fill(0, offset, offset + length);
  return old.equals(now) ? differing : [...differing, old.findIndex((byte, at) => byte !== now[at])];
}

function readVolume({ path, startByte, sizeBytes }: VolumeInFile): Buffer {
  const fd = fs.openSync(path, 'r');
  try {
    const bytes = Buffer.alloc(sizeBytes);
    fs.readSync(fd, bytes, 0, sizeBytes, startByte);
    return bytes;
  } finally {
    fs.closeSync(fd);
  }
}
