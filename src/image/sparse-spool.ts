import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import type { ByteSource } from '../contract/blocks.ts';
import { isAllZero } from './byte-view.ts';
import { readExactly } from './container/open-source.ts';

const blockBytes = 4096;
/** What has to stay free in the folder. */
const reserveBytes = 256 * 2 ** 20;

/** The folder for large temporary files (Filesystem Hierarchy Standard 3.0, section 5.15), which is not in memory. */
export function usualSpoolFolder(): string {
  return fs.existsSync('/var/tmp') ? '/var/tmp' : os.tmpdir();
}

/** The parts of a chunk that lie in file blocks with something in them; neighbours are joined. */
function dataRuns(chunk: Uint8Array, fileOffset: number): [from: number, to: number][] {
  const runs: [number, number][] = [];
  for (let from = 0; from < chunk.length; ) {
    const to = Math.min(chunk.length, from + blockBytes - ((fileOffset + from) % blockBytes));
    const last = runs.at(-1);
    if (!isAllZero(chunk.subarray(from, to))) {
      if (last?.[1] === from) last[1] = to;
      else runs.push([from, to]);
    }
    from = to;
  }
  return runs;
}

function freeBytesIn(folder: string): number {
  const { bavail, bsize } = fs.statfsSync(folder);
  return bavail * bsize;
}

/** A new file that has lost its name already. */
function openUnnamed(folder: string): number {
  const own = fs.mkdtempSync(path.join(folder, 'cardwright-image-'));
  try {
    return fs.openSync(path.join(own, 'image'), 'wx+', 0o600);
  } finally {
    fs.rmSync(own, { recursive: true, force: true });
  }
}

/**
 * The unpacked image in a temporary file that has no name any more; blocks of zeros are left out. Nothing of it
 * outlives the process.
 */
export class SparseSpool {
  readonly #folder: string;
  readonly #freeBytes: (folder: string) => number;
  readonly #fd: number | null;
  #sizeBytes = 0;
  #failure: string | null = null;

  constructor(folder: string, freeBytes: (folder: string) => number = freeBytesIn) {
    this.#folder = folder;
    this.#freeBytes = freeBytes;
    this.#fd = this.#attempt(() => openUnnamed(folder));
  }

  /** why the image could not be kept; null while it can */
  get failure(): string | null {
    return this.#failure;
  }

  /** Adds the next bytes; once there is no room the rest is dropped and `failure` says so. */
  append(chunk: Uint8Array): void {
    const fd = this.#fd;
    if (fd !== null && this.#failure === null) this.#attempt(() => this.#write(fd, chunk));
    this.#sizeBytes += chunk.length;
  }

  /** @returns the whole image; null where it could not be kept */
  finish(): ByteSource | null {
    const fd = this.#fd;
    if (fd === null || this.#failure !== null) return null;
    fs.ftruncateSync(fd, this.#sizeBytes);
    return {
      sizeBytes: this.#sizeBytes,
      read: (offset, length) => readExactly('the unpacked image', fd, offset, length),
    };
  }

  close(): void {
    if (this.#fd !== null) fs.closeSync(this.#fd);
  }

  #attempt<T>(step: () => T): T | null {
    try {
      return step();
    } catch (error) {
      const reason = (error as NodeJS.ErrnoException).code ?? String(error);
      this.#failure ??= `the unpacked image could not be kept in ${this.#folder} (${reason})`;
      return null;
    }
  }

  #write(fd: number, chunk: Uint8Array): void {
    if (this.#freeBytes(this.#folder) < reserveBytes + chunk.length) {
      this.#failure = `there is no room for the unpacked image in ${this.#folder}`;
      return;
    }
    for (const [from, to] of dataRuns(chunk, this.#sizeBytes)) {
      for (let at = from; at < to; ) at += fs.writeSync(fd, chunk, at, to - at, this.#sizeBytes + at);
    }
  }
}
