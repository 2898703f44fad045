import fs from 'node:fs';
import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';

/** An image file that was opened once and is used by its descriptor from then on. */
export interface ImageSource extends ByteSource {
  readonly path: string;
  readonly fd: number;
  /** device, inode, size and time of change: differs when the file is another or was written to */
  readonly stamp: string;
  /** throws `image.changed` when the file was written to since it was opened */
  assertUnchanged(): void;
  close(): void;
}

function kindOf(stats: fs.BigIntStats): string | null {
  if (stats.isFile()) return null;
  if (stats.isDirectory()) return 'a folder';
  if (stats.isBlockDevice()) return 'a block device';
  if (stats.isCharacterDevice()) return 'a character device';
  if (stats.isFIFO()) return 'a named pipe';
  if (stats.isSocket()) return 'a socket';
  return 'something else';
}

function why(error: unknown): string {
  const code = (error as NodeJS.ErrnoException).code;
  const known: Record<string, string> = {
    ENOENT: 'there is no such file',
    EACCES: 'permission denied',
    ELOOP: 'its symbolic links go in a circle',
    ENOTDIR: 'part of the path is not a folder',
    EIO: 'the disk it is on reports a read error',
  };
  return (code && known[code]) ?? code ?? String(error);
}

function attempt<T>(path: string, call: () => T): T {
  try {
    return call();
  } catch (error) {
    throw new CardwrightError('image.unreadable', { facts: { path, why: why(error) }, cause: error });
  }
}

export function fileStamp(fd: number): string {
  const stats = fs.fstatSync(fd, { bigint: true });
  return [stats.dev, stats.ino, stats.size, stats.mtimeNs, stats.ctimeNs].join(':');
}

/** `fs.readSync` with a position: bytes read, 0 at the end. Replaced in tests by one that reads short. */
export type PositionalRead = (
  fd: number,
  into: Uint8Array,
  at: number,
  length: number,
  from: number,
) => number;

/** Reads exactly `length` bytes at `offset` of a descriptor, however short the single reads are. */
export function readExactly(
  path: string,
  fd: number,
  offset: number,
  length: number,
  read: PositionalRead = fs.readSync,
): Uint8Array {
  const bytes = Buffer.alloc(length);
  let done = 0;
  while (done < length) {
    const count = attempt(path, () => read(fd, bytes, done, length - done, offset + done));
    if (count === 0) {
      throw new CardwrightError('image.unreadable', {
        facts: { path, why: `it ends at byte ${offset + done}, before byte ${offset + length}` },
      });
    }
    done += count;
  }
  return bytes;
}

function requireRegular(path: string, stats: fs.BigIntStats): void {
  const kind = kindOf(stats);
  if (kind) throw new CardwrightError('image.not-a-regular-file', { facts: { path, kind } });
}

/**
 * Opens an image file for reading, with the rights of this process. Looked at before it is opened, so that a
 * device or a pipe is not even touched, and once more by descriptor.
 * Throws `image.unreadable`, `image.not-a-regular-file`.
 */
export function openSource(path: string): ImageSource {
  requireRegular(
    path,
    attempt(path, () => fs.statSync(path, { bigint: true })),
  );
  const { O_RDONLY, O_NONBLOCK, O_NOCTTY } = fs.constants;
  const fd = attempt(path, () => fs.openSync(path, O_RDONLY | O_NONBLOCK | O_NOCTTY));
  try {
    const stats = fs.fstatSync(fd, { bigint: true });
    requireRegular(path, stats);
    const stamp = fileStamp(fd);
    return {
      path,
      fd,
      stamp,
      sizeBytes: Number(stats.size),
      read: (offset, length) => readExactly(path, fd, offset, length),
      assertUnchanged: () => {
        if (fileStamp(fd) !== stamp) throw new CardwrightError('image.changed', { facts: { path } });
      },
      close: () => fs.closeSync(fd),
    };
  } catch (error) {
    fs.closeSync(fd);
    throw error;
  }
}
