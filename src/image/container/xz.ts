import { crc32 } from 'node:zlib';
import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import { isAllZero, startsWith, viewOf } from '../byte-view.ts';
import {
  type ContainerFacts,
  damaged,
  refuseLargeDictionary,
  trailingGarbage,
  truncated,
} from './container-facts.ts';
import { checkNames, readBlockHeader, readStreamFlags, streamHeaderBytes } from './xz-fields.ts';
import { readIndex, type XzBlock } from './xz-index.ts';

const magic = Buffer.from('fd377a585a00', 'hex');
const mostIndexBytes = 64 * 2 ** 20;
const mostHeaderBytes = 1024;
const searchBytes = 2 ** 20;

export interface XzFacts extends ContainerFacts {
  sizeBytes: number;
  streams: number;
  blocks: number;
  /** names of the checks in use, in the order they were met from the end */
  checks: string[];
  dictionaryBytes: number;
}

interface Stream {
  startByte: number;
  check: number;
  blocks: XzBlock[];
}

interface Footer {
  indexBytes: number;
  check: number;
}

/** Section 2.1.2; null where these 12 bytes are no footer. */
function readFooter(bytes: Uint8Array): Footer | null {
  const view = viewOf(bytes);
  if (!startsWith(bytes, 10, 'YZ') || crc32(bytes.subarray(4, 10)) !== view.getUint32(0, true)) return null;
  return { indexBytes: (view.getUint32(4, true) + 1) * 4, check: readStreamFlags(bytes, 8) };
}

/** Section 2.2: zeros between and after streams, in multiples of four bytes. Gives where they begin. */
function skipPadding(source: ByteSource, end: number): number {
  let at = end;
  while (at > 0) {
    const length = Math.min(2 ** 16, at);
    const bytes = source.read(at - length, length);
    if (isAllZero(bytes)) {
      at -= length;
      continue;
    }
    let kept = length;
    while (kept >= 4 && isAllZero(bytes.subarray(kept - 4, kept))) kept -= 4;
    return at - length + kept;
  }
  throw damaged('xz', 'there is nothing in it but zeros');
}

/** No footer at the end: was something appended, or is the end missing? A footer shortly before tells. */
function endError(source: ByteSource, end: number): CardwrightError {
  const length = Math.min(searchBytes, end);
  const bytes = source.read(end - length, length);
  for (let at = length - 2; at >= 10; at--) {
    if (!startsWith(bytes, at, 'YZ')) continue;
    if (readFooter(bytes.subarray(at - 10, at + 2))) {
      return trailingGarbage('xz', `${length - at - 2} bytes that are not xz`);
    }
  }
  return truncated('xz', 'its index and footer are not there');
}

/** Reads one stream backwards from its end. */
function readStream(source: ByteSource, end: number): Stream {
  if (end % 4 !== 0 || end < 2 * streamHeaderBytes + 8) throw endError(source, end);
  const footer = readFooter(source.read(end - streamHeaderBytes, streamHeaderBytes));
  if (!footer) throw endError(source, end);
  const indexStart = end - streamHeaderBytes - footer.indexBytes;
  if (indexStart < streamHeaderBytes || footer.indexBytes > mostIndexBytes) {
    throw damaged('xz', `its index claims ${footer.indexBytes} bytes`);
  }
  const blocks = readIndex(source.read(indexStart, footer.indexBytes));
  const storedBytes = blocks.reduce((sum, block) => sum + block.storedBytes, 0);
  const startByte = indexStart - storedBytes - streamHeaderBytes;
  if (startByte < 0)
    throw truncated('xz', 'its index lists more than the file has; the beginning is missing');
  const header = source.read(startByte, streamHeaderBytes);
  if (!startsWith(header, 0, magic) || crc32(header.subarray(6, 8)) !== viewOf(header).getUint32(8, true)) {
    throw damaged('xz', 'a stream has no proper header');
  }
  if (readStreamFlags(header, 6) !== footer.check) {
    throw damaged('xz', 'the header and the footer of a stream disagree');
  }
  return { startByte, check: footer.check, blocks };
}

/** Every block header is read for the dictionary it asks for; gives the largest. */
function largestDictionary(source: ByteSource, stream: Stream): number {
  let at = stream.startByte + streamHeaderBytes;
  let largest = 0;
  for (const block of stream.blocks) {
    const header = source.read(at, Math.min(mostHeaderBytes, source.sizeBytes - at));
    largest = Math.max(largest, readBlockHeader(header));
    at += block.storedBytes;
  }
  return largest;
}

function describeChecks(streams: readonly Stream[]): { checks: string[]; findings: Finding[] } {
  const ids = [...new Set(streams.map((stream) => stream.check))];
  const checks = ids.map((check) => {
    const name = checkNames[check];
    if (!name) throw new CardwrightError('image.check-unsupported', { facts: { check } });
    return name;
  });
  const findings = ids.includes(0) ? [finding('image.no-integrity', 'note', { container: 'xz' })] : [];
  return { checks, findings };
}

/**
 * The xz container (tukaani xz, doc/xz-file-format.txt, sections 2 to 4): the unpacked size of all its streams
 * without unpacking them. Throws `image.damaged`, `image.truncated`, `image.trailing-garbage`,
 * `image.dictionary-too-large`, `image.check-unsupported`.
 */
export function readXz(source: ByteSource): XzFacts {
  const streams: Stream[] = [];
  for (let end = source.sizeBytes; end > 0; ) {
    const stream = readStream(source, skipPadding(source, end));
    streams.push(stream);
    end = stream.startByte;
  }
  const dictionaryBytes = streams.reduce((most, s) => Math.max(most, largestDictionary(source, s)), 0);
  refuseLargeDictionary('xz', dictionaryBytes);
  const blocks = streams.flatMap((stream) => stream.blocks);
  const sizeBytes = blocks.reduce((sum, block) => sum + block.unpackedBytes, 0);
  if (!Number.isSafeInteger(sizeBytes)) throw damaged('xz', 'its size is beyond all reason');
  return {
    container: 'xz',
    sizeBytes,
    memberName: null,
    streams: streams.length,
    blocks: blocks.length,
    dictionaryBytes,
    ...describeChecks(streams),
  };
}
