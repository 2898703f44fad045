import type { ByteSource } from '../contract/blocks.ts';

/** The disk as the ext library calls it. */
export interface ExtDisk {
  read(
    into: Uint8Array,
    at: number,
    length: number,
    offset: number,
  ): Promise<{ bytesRead: number; buffer: Uint8Array }>;
  write(
    from: Uint8Array,
    at: number,
    length: number,
    offset: number,
  ): Promise<{ bytesWritten: number; buffer: Uint8Array }>;
  discard(): Promise<void>;
  flush(): Promise<void>;
}

/** Looking for a few files takes some hundred reads; a damaged file system that goes in circles is cut off here. */
const mostReads = 20_000;
const mostWrittenBytes = 2 ** 20;

/**
 * A volume for the ext library, which wants to note times of access even when it only reads: what it writes stays in
 * memory and nothing reaches the source. The library reports a failed read as "no such file", so the first failure is
 * kept and has to be asked for.
 */
export class ReadOnlyExtDisk implements ExtDisk {
  readonly #source: ByteSource;
  readonly #startByte: number;
  readonly #endByte: number;
  readonly #written = new Map<number, Uint8Array>();
  #writtenBytes = 0;
  #readCount = 0;
  #failure: string | null = null;

  constructor(source: ByteSource, startByte: number, sizeBytes: number) {
    this.#source = source;
    this.#startByte = startByte;
    this.#endByte = Math.min(source.sizeBytes, startByte + sizeBytes);
  }

  get failure(): string | null {
    return this.#failure;
  }

  async read(into: Uint8Array, at: number, length: number, offset: number) {
    this.#readCount += 1;
    if (this.#readCount > mostReads) throw this.#fail('it goes in circles');
    const bytes = this.#copy(offset, length);
    this.#overlay(bytes, offset);
    into.set(bytes, at);
    return { bytesRead: length, buffer: into };
  }

  async write(from: Uint8Array, at: number, length: number, offset: number) {
    this.#writtenBytes += length;
    if (this.#writtenBytes > mostWrittenBytes)
      throw this.#fail('looking into it would change too much of it');
    this.#written.set(offset, Uint8Array.from(from.subarray(at, at + length)));
    return { bytesWritten: length, buffer: from };
  }

  discard(): Promise<void> {
    return Promise.resolve();
  }

  flush(): Promise<void> {
    return Promise.resolve();
  }

  #fail(why: string): Error {
    this.#failure ??= why;
    return new Error(why);
  }

  #copy(offset: number, length: number): Uint8Array {
    const start = this.#startByte + offset;
    if (offset < 0 || start + length > this.#endByte) throw this.#fail('it points outside itself');
    try {
      return Uint8Array.from(this.#source.read(start, length));
    } catch (error) {
      throw this.#fail((error as Error).message);
    }
  }

  #overlay(bytes: Uint8Array, offset: number): void {
    for (const [at, data] of this.#written) {
      const from = Math.max(at, offset);
      const to = Math.min(at + data.length, offset + bytes.length);
      if (from < to) bytes.set(data.subarray(from - at, to - at), from - offset);
    }
  }
}
