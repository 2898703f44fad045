import type { ByteSource } from '../contract/blocks.ts';
import { type ExtDisk, ReadOnlyExtDisk } from './ext-disk.ts';

interface Stats {
  size: number;
  isFile(): boolean;
  isDirectory(): boolean;
  isSymbolicLink(): boolean;
}

/** What of the library is used; it has no types of its own. */
interface ExtFiles {
  lstat(path: string): Promise<Stats>;
  stat(path: string): Promise<Stats>;
  readdir(path: string): Promise<string[]>;
  readFile(path: string): Promise<string>;
  readlink(path: string): Promise<string>;
}

interface ExtLibrary {
  mount(disk: ExtDisk, offset: number): Promise<{ promises: ExtFiles }>;
  umount(volume: { promises: ExtFiles }): Promise<void>;
}

/** Files of an ext2/3/4 volume, read only. `null` means that there is nothing of that name. */
export interface ExtVolume {
  kind(path: string): Promise<'file' | 'folder' | 'other' | null>;
  names(path: string): Promise<string[] | null>;
  /** where a symbolic link points; null for all else */
  target(path: string): Promise<string | null>;
  /** of a file; links are followed */
  sizeBytes(path: string): Promise<number | null>;
  /** links are followed; only files of at most 64 KiB, unless said otherwise */
  text(path: string, mostBytes?: number): Promise<string | null>;
}

/** The volume could not be read, so nothing may be concluded from what was not found. */
export class ExtUnreadable extends Error {}

const mostTextBytes = 2 ** 16;
let library: Promise<ExtLibrary> | null = null;

/**
 * Loaded on first use. The library's runtime adds handlers to the process that turn every stray rejection into a
 * crash of their own making; a library has no say in that, so they are taken away again.
 */
async function loadLibrary(): Promise<ExtLibrary> {
  const events = ['uncaughtException', 'unhandledRejection'] as const;
  const before = events.map((event) => new Set<unknown>(process.listeners(event as 'uncaughtException')));
  // @ts-expect-error the package has no types; the parts that are used are described above
  const loaded = (await import('ext2fs')) as { default: ExtLibrary };
  for (const [i, event] of events.entries()) {
    for (const listener of process.listeners(event as 'uncaughtException')) {
      if (!before[i]?.has(listener)) process.removeListener(event, listener);
    }
  }
  return loaded.default;
}

function isAbsent(error: unknown): boolean {
  const { code } = error as { code?: string };
  return code === 'ENOENT' || code === 'ENOTDIR';
}

function reading(files: ExtFiles, disk: ReadOnlyExtDisk): ExtVolume {
  async function ask<T>(question: () => Promise<T>): Promise<T | null> {
    let answer: T | null = null;
    try {
      answer = await question();
    } catch (error) {
      if (!isAbsent(error)) throw new ExtUnreadable(disk.failure ?? (error as Error).message);
    }
    if (disk.failure !== null) throw new ExtUnreadable(disk.failure);
    return answer;
  }
  return {
    kind: (path) =>
      ask(async () => {
        const stats = await files.lstat(path);
        return stats.isFile() ? 'file' : stats.isDirectory() ? 'folder' : 'other';
      }),
    names: (path) => ask(() => files.readdir(path)),
    target: (path) =>
      ask(async () => ((await files.lstat(path)).isSymbolicLink() ? files.readlink(path) : null)),
    sizeBytes: (path) =>
      ask(async () => {
        const stats = await files.stat(path);
        return stats.isFile() ? stats.size : null;
      }),
    text: (path, mostBytes = mostTextBytes) =>
      ask(async () => {
        const stats = await files.stat(path);
        if (!stats.isFile()) return null;
        if (stats.size > mostBytes) throw new ExtUnreadable(`${path} has ${stats.size} bytes`);
        return stats.size === 0 ? '' : await files.readFile(path);
      }),
  };
}

/**
 * Opens an ext volume without mounting it, looks into it and closes it again; nothing is written.
 * @throws ExtUnreadable
 */
export async function withExtVolume<T>(
  source: ByteSource,
  { startByte, sizeBytes }: { startByte: number; sizeBytes: number },
  look: (volume: ExtVolume) => Promise<T>,
): Promise<T> {
  library ??= loadLibrary();
  const { mount, umount } = await library;
  const disk = new ReadOnlyExtDisk(source, startByte, sizeBytes);
  let mounted: Awaited<ReturnType<ExtLibrary['mount']>>;
  try {
    mounted = await mount(disk, 0);
  } catch (error) {
    throw new ExtUnreadable(disk.failure ?? `it is not in order (${(error as Error).message})`);
  }
  let isFailed = false;
  try {
    return await look(reading(mounted.promises, disk));
  } catch (error) {
    isFailed = true;
    throw error;
  } finally {
    await umount(mounted).catch((error: unknown) => {
      // the first error is the one that counts
      if (!isFailed) throw new ExtUnreadable(`it could not be closed (${String(error)})`);
    });
  }
}
