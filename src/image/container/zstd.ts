import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { finding } from '../../contract/finding.ts';
import { viewOf } from '../byte-view.ts';
import {
  type ContainerFacts,
  damaged,
  refuseLargeDictionary,
  trailingGarbage,
  truncated,
} from './container-facts.ts';
import { isZstdMagic } from './detect-container.ts';
import { mostFrameHeaderBytes, readFrameHeader, type ZstdFrameHeader } from './zstd-frame.ts';

/** Block_Maximum_Size never exceeds 128 KiB: RFC 8878 section 3.1.1.2.4. */
const mostBlockBytes = 128 * 2 ** 10;

export interface ZstdFacts extends ContainerFacts {
  frames: number;
  skippableFrames: number;
  windowBytes: number;
  hasChecksums: boolean;
}

/** Reads a few bytes at rising places through one larger piece, so that a walk over blocks costs few reads. */
class Walker {
  readonly #source: ByteSource;
  #piece: Uint8Array = new Uint8Array();
  #pieceAt = 0;

  constructor(source: ByteSource) {
    this.#source = source;
  }

  /** up to `length` bytes, fewer only at the end */
  peek(at: number, length: number): Uint8Array {
    const available = Math.max(0, Math.min(length, this.#source.sizeBytes - at));
    if (at < this.#pieceAt || at + available > this.#pieceAt + this.#piece.length) {
      this.#piece = this.#source.read(at, Math.min(2 ** 14, this.#source.sizeBytes - at));
      this.#pieceAt = at;
    }
    return this.#piece.subarray(at - this.#pieceAt, at - this.#pieceAt + available);
  }
}

/** Section 3.1.1.2: three bytes a block header. Gives where the last block ends. */
function skipBlocks(walker: Walker, start: number, endOfFile: number): number {
  for (let at = start, isLast = false; ; ) {
    if (isLast) return at;
    const [a = 0, b = 0, c = 0, ...missing] = walker.peek(at, 3);
    if (at + 3 > endOfFile || missing.length > 0)
      throw truncated('zst', 'a frame ends without its last block');
    const header = a | (b << 8) | (c << 16);
    isLast = (header & 1) === 1;
    const type = (header >> 1) & 3;
    const size = header >> 3;
    if (type === 3) throw damaged('zst', `the block at byte ${at} is of a kind that does not exist`);
    if (size > mostBlockBytes) throw damaged('zst', `the block at byte ${at} claims ${size} bytes`);
    at += 3 + (type === 1 ? 1 : size);
    if (at > endOfFile) throw truncated('zst', 'a block ends beyond the end of the file');
  }
}

interface Frame {
  header: ZstdFrameHeader | null;
  end: number;
}

function readFrame(walker: Walker, at: number, endOfFile: number, isFirst: boolean): Frame {
  const head = walker.peek(at, mostFrameHeaderBytes);
  if (!isZstdMagic(head)) {
    if (isFirst) throw damaged('zst', 'it does not begin with a frame');
    throw trailingGarbage('zst', `${endOfFile - at} bytes that are not zst`);
  }
  if (head[0] !== 0x28) {
    if (head.length < 8) throw truncated('zst', 'a skippable frame has no size');
    const end = at + 8 + viewOf(head).getUint32(4, true);
    if (end > endOfFile) throw truncated('zst', 'a skippable frame ends beyond the end of the file');
    return { header: null, end };
  }
  const header = readFrameHeader(head);
  if (!header) throw truncated('zst', 'it ends within a frame header');
  const end = skipBlocks(walker, at + header.headerBytes, endOfFile) + (header.hasChecksum ? 4 : 0);
  if (end > endOfFile) throw truncated('zst', 'the checksum of its last frame is missing');
  return { header, end };
}

function refuseUnusable(header: ZstdFrameHeader): void {
  refuseLargeDictionary('zst', header.windowBytes);
  if (header.dictionary !== 0) {
    throw new CardwrightError('image.needs-dictionary', { facts: { dictionary: header.dictionary } });
  }
}

/** Adds one frame to what is known; the size becomes unknown with the first frame that does not say its own. */
function addFrame(facts: ZstdFacts, header: ZstdFrameHeader | null): void {
  if (!header) {
    facts.skippableFrames += 1;
    return;
  }
  refuseUnusable(header);
  facts.frames += 1;
  facts.windowBytes = Math.max(facts.windowBytes, header.windowBytes);
  facts.hasChecksums &&= header.hasChecksum;
  const { contentBytes } = header;
  facts.sizeBytes = facts.sizeBytes === null || contentBytes === null ? null : facts.sizeBytes + contentBytes;
  if ((facts.sizeBytes ?? 0) > Number.MAX_SAFE_INTEGER) throw damaged('zst', 'its size is beyond all reason');
}

/**
 * The zstd container (RFC 8878 section 3.1): walks every frame and block without unpacking, so a cut or something
 * appended is seen at once. Throws `image.damaged`, `image.truncated`, `image.trailing-garbage`,
 * `image.dictionary-too-large`, `image.needs-dictionary`.
 */
export function readZstd(source: ByteSource): ZstdFacts {
  const walker = new Walker(source);
  const facts: ZstdFacts = {
    container: 'zst',
    sizeBytes: 0,
    memberName: null,
    frames: 0,
    skippableFrames: 0,
    windowBytes: 0,
    hasChecksums: true,
    findings: [],
  };
  for (let at = 0; at < source.sizeBytes; ) {
    const frame = readFrame(walker, at, source.sizeBytes, at === 0);
    addFrame(facts, frame.header);
    at = frame.end;
  }
  if (!facts.hasChecksums) facts.findings.push(finding('image.no-integrity', 'note', { container: 'zst' }));
  return facts;
}
