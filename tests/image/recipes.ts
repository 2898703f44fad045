import { execFileSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { afterAll } from 'vitest';
import type { ByteSource } from '../../src/contract/blocks.ts';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';

const fixtures = path.resolve(import.meta.dirname, '../../fixtures/images');

/** In memory where that can be had: the tools that make volumes flush a lot. */
const parent = fs.existsSync('/dev/shm') ? '/dev/shm' : os.tmpdir();

/** A folder of this test file's own, gone when its tests are done. */
export function workFolder(): string {
  const folder = fs.mkdtempSync(path.join(parent, 'cardwright-image-test-'));
  afterAll(() => fs.rmSync(folder, { recursive: true, force: true }));
  return folder;
}

/** Runs a program (Debian's administrator folders included), in the C locale; gives its standard output. */
export function run(program: string, args: readonly string[], input?: string | Uint8Array): Buffer {
  return execFileSync(program, args, {
    ...(input === undefined ? {} : { input }),
    env: { ...process.env, LC_ALL: 'C', PATH: `${process.env.PATH}:/usr/sbin:/sbin` },
    stdio: ['pipe', 'pipe', 'pipe'],
    maxBuffer: 2 ** 28,
  });
}

/** Exit status of a program, whatever it is. */
export function statusOf(program: string, args: readonly string[]): number {
  try {
    run(program, args);
    return 0;
  } catch (error) {
    return (error as { status: number }).status;
  }
}

export function sha256(bytes: Uint8Array): string {
  return createHash('sha256').update(bytes).digest('hex');
}

/** An empty, sparse file. */
export function sparseFile(file: string, sizeBytes: number): string {
  fs.writeFileSync(file, '');
  fs.truncateSync(file, sizeBytes);
  return file;
}

/** Makes a table by one of the recipes in fixtures/images. */
export function partitionByRecipe(file: string, recipe: string): string {
  const text = fs.readFileSync(path.join(fixtures, `${recipe}.sfdisk`), 'utf8');
  const mib = Number(/size=(\d+)M/.exec(text)?.[1]);
  sparseFile(file, mib * 2 ** 20);
  run('sfdisk', ['-q', file], text.replace(/^#.*\n/, ''));
  return file;
}

/** The golden GPT of 64 MiB (tests/standards), by sgdisk, which ends every change with a sync of the whole machine. */
export function makeGoldenGpt(file: string): string {
  sparseFile(file, 64 * 2 ** 20);
  run('sgdisk', [
    ...['-a', '2048', '-n', '1:2048:+16M', '-t', '1:EF00', '-c', '1:boot'],
    ...['-u', '1:11111111-2222-3333-4444-555555555555', '-n', '2:0:0', '-t', '2:8305', '-c', '2:root'],
    ...['-u', '2:66666666-7777-8888-9999-AAAAAAAAAAAA', '-U', '01234567-89AB-CDEF-0123-456789ABCDEF', file],
  ]);
  return file;
}

export function overwrite(file: string, offset: number, bytes: Uint8Array): void {
  const fd = fs.openSync(file, 'r+');
  try {
    fs.writeSync(fd, bytes, 0, bytes.length, offset);
  } finally {
    fs.closeSync(fd);
  }
}

/** A copy of a file with one bit of it turned over. */
export function flipBit(bytes: Uint8Array, at: number, mask = 0x10): Buffer {
  const copy = Buffer.from(bytes);
  copy[at] = (copy[at] ?? 0) ^ mask;
  return copy;
}

export function memorySource(bytes: Uint8Array): ByteSource {
  return {
    sizeBytes: bytes.length,
    read(offset, length) {
      if (offset < 0 || length < 0 || offset + length > bytes.length) {
        throw new Error(`read of ${length} at ${offset} outside ${bytes.length}`);
      }
      return bytes.subarray(offset, offset + length);
    },
  };
}

export function fileSource(file: string): ByteSource {
  return memorySource(fs.readFileSync(file));
}

/** The code of the CardwrightError that a call throws; fails on any other error and where none is thrown. */
export async function codeOf(call: () => unknown): Promise<string> {
  try {
    await call();
  } catch (error) {
    if (error instanceof CardwrightError) return error.code;
    throw error;
  }
  throw new Error('nothing was thrown');
}

/** Repeatable bytes that do not compress. */
export function noise(length: number, seed = 1): Buffer {
  const bytes = Buffer.alloc(length);
  let state = seed >>> 0 || 1;
  for (let i = 0; i < length; i++) {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    bytes[i] = state & 0xff;
  }
  return bytes;
}
