/**
 * FAT volumes made and looked at by programs other than ours: dosfstools make and check them, mtools and GRUB's
 * file-system tester read them.
 */
import { execFileSync, spawnSync } from 'node:child_process';
import {
  closeSync,
  existsSync,
  ftruncateSync,
  mkdtempSync,
  openSync,
  readFileSync,
  rmSync,
  truncateSync,
  writeFileSync,
  writeSync,
} from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { ByteSource, ChangedRange } from '../../src/contract/blocks.ts';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { Requirement } from '../lab/capabilities.ts';

export const fatTools: Requirement[] = ['program:mkfs.vfat', 'program:fsck.vfat', 'program:mcopy'];

const env = { ...process.env, PATH: `${process.env.PATH}:/usr/sbin:/sbin`, TZ: 'UTC', MTOOLSRC: '/dev/null' };

const folderForFiles = existsSync('/dev/shm') ? '/dev/shm' : tmpdir();
const chunkBytes = 2 ** 16;
const zeros = Buffer.alloc(chunkBytes);
const mostOutputBytes = 2 ** 28;

/** Writes a file with holes where the volume is empty: most of it is. */
function writeSparse(path: string, bytes: Uint8Array): void {
  const file = openSync(path, 'w');
  try {
    ftruncateSync(file, bytes.length);
    for (let at = 0; at < bytes.length; at += chunkBytes) {
      const chunk = bytes.subarray(at, at + chunkBytes);
      if (!zeros.subarray(0, chunk.length).equals(chunk)) writeSync(file, chunk, 0, chunk.length, at);
    }
  } finally {
    closeSync(file);
  }
}

/** Runs `use` with the volume in a file that is gone afterwards. */
function withFile<T>(volume: Uint8Array | number, use: (path: string) => T): T {
  const folder = mkdtempSync(join(folderForFiles, 'cardwright-fat-'));
  const path = join(folder, 'volume.img');
  try {
    if (typeof volume === 'number') {
      writeFileSync(path, '');
      truncateSync(path, volume);
    } else {
      writeSparse(path, volume);
    }
    return use(path);
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

/** A new volume by mkfs.vfat. */
export function makeFat(args: readonly string[], sizeBytes: number): Buffer {
  return withFile(sizeBytes, (path) => {
    execFileSync('mkfs.vfat', [...args, path], { env, stdio: 'pipe' });
    return readFileSync(path);
  });
}

/** Status and words of fsck.vfat -n: 0 means that it found nothing at all. */
export function checkFat(volume: Uint8Array): { status: number | null; output: string } {
  return withFile(volume, (path) => {
    const { status, stdout, stderr } = spawnSync('fsck.vfat', ['-n', '-v', path], { env, encoding: 'utf8' });
    return { status, output: stdout + stderr };
  });
}

function runMtools(
  path: string,
  program: string,
  args: readonly string[],
  input: Uint8Array | string,
): string {
  const options = { env, input, encoding: 'latin1', maxBuffer: mostOutputBytes } as const;
  return execFileSync(program, ['-i', path, ...args], options);
}

/** What an mtools program says of the volume that begins at `startByte`; `::/` names its root. */
export function mtools(bytes: Uint8Array, program: string, args: readonly string[], startByte = 0): string {
  return withFile(bytes, (path) => runMtools(`${path}@@${startByte}`, program, args, ''));
}

/** The volume as an mtools program leaves it. */
export function mtoolsChange(
  volume: Uint8Array,
  program: string,
  args: readonly string[],
  input: Uint8Array | string = '',
): Buffer {
  return withFile(volume, (path) => {
    runMtools(path, program, args, input);
    return readFileSync(path);
  });
}

/** The volume with files put in by mtools. */
export function withFiles(volume: Buffer, files: Readonly<Record<string, Uint8Array | string>>): Buffer {
  let now = volume;
  for (const [path, content] of Object.entries(files)) {
    const folder = path.split('/').slice(0, -1).join('/');
    if (folder !== '') now = mtoolsChange(now, 'mmd', ['-D', 's', `::/${folder}`]);
    now = mtoolsChange(now, 'mcopy', ['-o', '-', `::/${path}`], content);
  }
  return now;
}

/** A file as GRUB reads it, which goes by the boot sector's fields as the kernel does. */
export function grubRead(volume: Uint8Array, path: string): Buffer {
  return withFile(volume, (file) =>
    execFileSync('grub-fstest', [file, 'cat', `(loop0)/${path}`], {
      env,
      stdio: ['ignore', 'pipe', 'pipe'],
      maxBuffer: mostOutputBytes,
    }),
  );
}

export interface CountedSource extends ByteSource {
  bytesRead: number;
}

/** A source in memory that refuses, as a card does, what lies outside it, and counts. */
export function sourceOf(bytes: Uint8Array): CountedSource {
  const source: CountedSource = {
    sizeBytes: bytes.length,
    bytesRead: 0,
    read(offset, length) {
      if (offset < 0 || offset + length > bytes.length) {
        throw new CardwrightError('volume.out-of-bounds', { facts: { offset, length } });
      }
      source.bytesRead += length;
      return bytes.subarray(offset, offset + length);
    },
  };
  return source;
}

export function wholeOf(bytes: Uint8Array, sectorBytes = 512) {
  return { startByte: 0, sizeBytes: bytes.length, sectorBytes };
}

/** The bytes with the changes written to them. */
export function applied(bytes: Uint8Array, changes: readonly ChangedRange[]): Buffer {
  const after = Buffer.from(bytes);
  for (const { offset, data } of changes) after.set(data, offset);
  return after;
}

/** The code of the CardwrightError that `action` throws. */
export function codeOf(action: () => unknown): string {
  try {
    action();
  } catch (error) {
    if (error instanceof CardwrightError) return error.code;
    throw error;
  }
  return 'nothing was thrown';
}
