import { createHash } from 'node:crypto';
import fs from 'node:fs';
import type { Writable } from 'node:stream';
import { promisify } from 'node:util';
import { crc32 } from 'node:zlib';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { damaged } from './container-facts.ts';
import type { ZipMember } from './zip.ts';

const read = promisify(fs.read);
const pieceBytes = 2 ** 18;

/** What goes to the decoder of all that is read: a range of the file, with something before and after it. */
export interface FeedRange {
  start: number;
  end: number;
  before: Uint8Array;
  after: Uint8Array;
  /** CRC-32 that the bytes of the range must have; null where the decoder checks for itself */
  crc32: number | null;
}

export function wholeFile(sizeBytes: number): FeedRange {
  return { start: 0, end: sizeBytes, before: new Uint8Array(), after: new Uint8Array(), crc32: null };
}

/**
 * The range of a zip member. A deflated one gets a gzip header and trailer around it (RFC 1952 section 2.3), so that
 * gzip checks CRC-32 and size; a stored one is checked here.
 */
export function memberRange(member: ZipMember): FeedRange {
  const range = { start: member.dataStart, end: member.dataStart + member.packedBytes };
  if (member.method === 'stored') {
    return { ...range, before: new Uint8Array(), after: new Uint8Array(), crc32: member.crc32 };
  }
  const before = Buffer.from('1f8b08000000000000ff', 'hex');
  const after = Buffer.alloc(8);
  after.writeUInt32LE(member.crc32, 0);
  after.writeUInt32LE(member.sizeBytes % 2 ** 32, 4);
  return { ...range, before, after, crc32: null };
}

/** Writes with back-pressure; gives false once the decoder has closed its input, which its exit status explains. */
class Inlet {
  readonly #stream: Writable;
  #isOpen = true;

  constructor(stream: Writable) {
    this.#stream = stream;
    stream.on('error', () => {
      this.#isOpen = false;
    });
  }

  async write(bytes: Uint8Array): Promise<void> {
    if (!this.#isOpen || bytes.length === 0) return;
    await new Promise<void>((resolve) => {
      this.#stream.write(bytes, () => resolve());
    });
  }

  end(): void {
    if (this.#isOpen) this.#stream.end();
  }
}

export interface FeedOrder {
  path: string;
  fd: number;
  sizeBytes: number;
  range: FeedRange;
  hashPacked: boolean;
  signal: AbortSignal;
}

/** The whole file, in order, from a descriptor, at positions of its own. */
async function* readPieces({ path, fd, sizeBytes, signal }: FeedOrder, from: number, to: number) {
  for (let at = from; at < to && !signal.aborted; ) {
    // a new buffer each time: the last one may still be on its way into the pipe
    const buffer = Buffer.allocUnsafe(Math.min(pieceBytes, to - at));
    let count: number;
    try {
      ({ bytesRead: count } = await read(fd, buffer, 0, buffer.length, at));
    } catch (error) {
      const why = (error as NodeJS.ErrnoException).code ?? String(error);
      throw new CardwrightError('image.unreadable', { facts: { path, why }, cause: error });
    }
    if (count === 0) {
      throw new CardwrightError('image.unreadable', {
        facts: { path, why: `it ends at byte ${at} of ${sizeBytes}` },
      });
    }
    yield { at, bytes: buffer.subarray(0, count) };
    at += count;
  }
}

/**
 * Reads the packed file once, hands its range to the decoder and digests all of it on the way.
 * @returns SHA-256 (hex) of the whole file as it was read; null where it was not asked for or feeding was stopped
 * @throws CardwrightError image.unreadable; image.damaged where a stored zip member has a wrong CRC-32
 */
export async function feedDecoder(order: FeedOrder, stdin: Writable): Promise<string | null> {
  const { range, signal } = order;
  const inlet = new Inlet(stdin);
  const hash = order.hashPacked ? createHash('sha256') : null;
  let sum = 0;
  try {
    await inlet.write(range.before);
    const [from, to] = hash ? [0, order.sizeBytes] : [range.start, range.end];
    for await (const { at, bytes } of readPieces(order, from, to)) {
      hash?.update(bytes);
      const inRange = bytes.subarray(
        Math.min(bytes.length, Math.max(0, range.start - at)),
        Math.max(0, range.end - at),
      );
      if (range.crc32 !== null) sum = crc32(inRange, sum);
      await inlet.write(inRange);
    }
    if (!signal.aborted) await inlet.write(range.after);
  } finally {
    inlet.end();
  }
  if (signal.aborted) return null;
  if (range.crc32 !== null && sum !== range.crc32) {
    throw damaged('zip', 'the CRC-32 of the image in it is wrong');
  }
  return hash?.digest('hex') ?? null;
}
