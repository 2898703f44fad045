import type { ByteSource } from '../contract/blocks.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { isAllZero } from './byte-view.ts';
import { NotYetRead } from './table/not-yet-read.ts';

const headBytes = 2 ** 20;
const recentBytes = 2 ** 18;
/** All that may be kept of a stream; a hostile table cannot ask for more. */
const mostKeptBytes = 64 * 2 ** 20;

interface Kept {
  offset: number;
  bytes: Uint8Array;
  filledBytes: number;
}

function isFilled(kept: Kept): boolean {
  return kept.filledBytes === kept.bytes.length;
}

/**
 * What is kept of a stream that passes once: its head, its last 256 KiB, and every range that somebody tried to
 * read. A read of what has not come yet throws `NotYetRead` and keeps the range when it comes. Memory is bounded.
 */
export class StreamWindow implements ByteSource {
  readonly #kept: Kept[] = [{ offset: 0, bytes: new Uint8Array(headBytes), filledBytes: 0 }];
  readonly #promisedBytes: number | null;
  #recent: Uint8Array[] = [];
  #recentLength = 0;
  #position = 0;
  #isEnded = false;
  #hasSeenData = false;
  #hasNews = false;

  /** @param promisedBytes the size where it is known beforehand */
  constructor(promisedBytes: number | null) {
    this.#promisedBytes = promisedBytes;
  }

  /** The size; before the end of the stream the promised one, or larger than any */
  get sizeBytes(): number {
    return this.#isEnded ? this.#position : (this.#promisedBytes ?? Number.MAX_SAFE_INTEGER);
  }

  get position(): number {
    return this.#position;
  }

  /** whether anything but zeros has come */
  get hasSeenData(): boolean {
    return this.#hasSeenData;
  }

  /** whether something that was asked for has come since this was last asked, so that looking again is worth it */
  takeNews(): boolean {
    const hasNews = this.#hasNews;
    this.#hasNews = false;
    return hasNews;
  }

  push(chunk: Uint8Array): void {
    for (const kept of this.#kept) if (!isFilled(kept)) this.#fill(kept, chunk);
    this.#hasSeenData ||= !isAllZero(chunk);
    this.#position += chunk.length;
    this.#recent.push(chunk);
    this.#recentLength += chunk.length;
    while (this.#recentLength - (this.#recent[0]?.length ?? 0) >= recentBytes) {
      this.#recentLength -= this.#recent.shift()?.length ?? 0;
    }
  }

  end(): void {
    this.#isEnded = true;
  }

  read(offset: number, length: number): Uint8Array {
    const kept = this.#kept.find(
      (one) => one.offset <= offset && offset + length <= one.offset + one.filledBytes,
    );
    if (kept) return kept.bytes.subarray(offset - kept.offset, offset - kept.offset + length);
    const recent = this.#readRecent(offset, length);
    if (recent) return recent;
    const oldest = this.#position - this.#recentLength;
    if (this.#isEnded || offset < oldest) {
      throw new CardwrightError('image.needs-unpacking', { facts: { offset } });
    }
    this.#keep(offset, length);
    throw new NotYetRead(`byte ${offset + length} has not come yet`);
  }

  #fill(kept: Kept, chunk: Uint8Array): void {
    const next = kept.offset + kept.filledBytes;
    const from = next - this.#position;
    if (from < 0 || from >= chunk.length) return;
    const piece = chunk.subarray(from, from + kept.bytes.length - kept.filledBytes);
    kept.bytes.set(piece, kept.filledBytes);
    kept.filledBytes += piece.length;
    this.#hasNews ||= isFilled(kept);
  }

  #readRecent(offset: number, length: number): Uint8Array | null {
    const oldest = this.#position - this.#recentLength;
    if (offset < oldest || offset + length > this.#position) return null;
    return Buffer.concat(this.#recent).subarray(offset - oldest, offset - oldest + length);
  }

  #keep(offset: number, length: number): void {
    if (this.#kept.some((one) => one.offset === offset && one.bytes.length >= length)) return;
    const total = this.#kept.reduce((sum, one) => sum + one.bytes.length, length);
    if (total > mostKeptBytes) throw new CardwrightError('image.needs-unpacking', { facts: { offset } });
    const have = Math.max(0, this.#position - offset);
    const bytes = new Uint8Array(length);
    if (have > 0) bytes.set(this.#readRecent(offset, have) ?? [], 0);
    this.#kept.push({ offset, bytes, filledBytes: have });
  }
}
