import { safeUint64, viewOf } from '../byte-view.ts';
import { damaged } from './container-facts.ts';

/** The longest frame header: magic 4, descriptor 1, window 1, dictionary 4, content size 8. */
export const mostFrameHeaderBytes = 18;

export interface ZstdFrameHeader {
  headerBytes: number;
  windowBytes: number;
  /** null where the frame does not say */
  contentBytes: number | null;
  hasChecksum: boolean;
  /** 0: none */
  dictionary: number;
}

/** Window_Size of a window descriptor byte: RFC 8878 section 3.1.1.1.2. */
function windowSize(descriptor: number): number {
  const base = 2 ** (10 + (descriptor >> 3));
  return base + (base / 8) * (descriptor & 7);
}

function littleEndian(view: DataView, at: number, length: number): number {
  if (length === 1) return view.getUint8(at);
  if (length === 2) return view.getUint16(at, true);
  return length === 4 ? view.getUint32(at, true) : 0;
}

/** Frame_Content_Size: the two-byte form is stored less 256 (RFC 8878 section 3.1.1.1.4). */
function contentSize(view: DataView, at: number, length: number): number | null {
  if (length === 0) return null;
  if (length !== 8) return littleEndian(view, at, length) + (length === 2 ? 256 : 0);
  const value = safeUint64(view, at);
  if (value === null) throw damaged('zst', 'its size is beyond all reason');
  return value;
}

/**
 * A frame header (RFC 8878 section 3.1.1.1).
 * @param bytes from the magic on, as many of 18 as the file has
 * @returns null where the file ends within it
 */
export function readFrameHeader(bytes: Uint8Array): ZstdFrameHeader | null {
  const descriptor = bytes[4];
  if (descriptor === undefined) return null;
  if ((descriptor & 0x08) !== 0) throw damaged('zst', 'a reserved bit is set in a frame');
  const isSingleSegment = (descriptor & 0x20) !== 0;
  const dictionaryLength = [0, 1, 2, 4][descriptor & 3] ?? 0;
  const sizeLength = [isSingleSegment ? 1 : 0, 2, 4, 8][descriptor >> 6] ?? 0;
  const windowLength = isSingleSegment ? 0 : 1;
  const headerBytes = 5 + windowLength + dictionaryLength + sizeLength;
  if (bytes.length < headerBytes) return null;
  const view = viewOf(bytes);
  const contentBytes = contentSize(view, 5 + windowLength + dictionaryLength, sizeLength);
  return {
    headerBytes,
    contentBytes,
    // a single segment needs a window as large as itself (section 3.1.1.1.2)
    windowBytes: isSingleSegment ? (contentBytes ?? 0) : windowSize(view.getUint8(5)),
    hasChecksum: (descriptor & 0x04) !== 0,
    dictionary: littleEndian(view, 5 + windowLength, dictionaryLength),
  };
}
