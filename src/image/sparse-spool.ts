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

/**
 * The unpacked image in a temporary file that has no name any more; blocks of zeros are left out. Nothing of it
 * outlives the process.
 */
export class SparseSpool {
  readonly #folder: string;
  readonly #fd: number;
  #sizeBytes = 0;
  #failure: string | null = null;

  constructor(folder: string) {
    this.#folder = folder;
    const own = fs.mkdtempSync(path.join(folder, 'cardwright-image-'));
    try {
      this.#fd = fs.openSync(path.join(own, 'image'), 'wx+', 0o600);
    } finally {
      fs.rmSync(own, { recursive: true, force: true });
    }
  }

  /** why the image could not be kept; null while it can */
  get failure(): string | null {
    return this.#failure;
  }

  /** Adds the next bytes; once there is no room the rest is dropped and `failure` says so. */
  append(chunk: Uint8Array): void {
    if (this.#failure === null) this.#write(chunk);
    this.#sizeBytes += chunk.length;
  }

  /** @returns the whole image; null where it could not be kept */
  finish(): ByteSource | null {
    if (this.#failure !== null) return null;
    fs.ftruncateSync(this.#fd, this.#sizeBytes);
    return {
      sizeBytes: this.#sizeBytes,
      read: (offset, length) => readExactly('the unpacked image', this.#fd, offset, length),
    };
  }

  close(): void {
    fs.closeSync(this.#fd);
  }

  #write(chunk: Uint8Array): void {
    try {
      const { bavail, bsize } = fs.statfsSync(this.#folder);
      if (bavail * bsize < reserveBytes + chunk.length) {
        this.#failure = `there is no room for the unpacked image in ${this.#folder}`;
        return;
      }
      for (const [from, to] of dataRuns(chunk, this.#sizeBytes)) {
        this.#writeAll(chunk.subarray(from, to), this.#sizeBytes + from);
      }
    } catch (error) {
      const reason = (error as NodeJS.ErrnoException).code ?? String(error);
      this.#failure = `the unpacked image could not be kept in ${this.#folder} (${reason})`;
    }
  }

  #writeAll(bytes: Uint8Array, at: number): void {
    for (let done = 0; done < bytes.length; ) {
      done += fs.writeSync(this.#fd, bytes, done, bytes.length - done, at + done);
    }
  }
}
