import { crc32 } from 'node:zlib';
import { viewOf } from '../byte-view.ts';
import { damaged } from './container-facts.ts';

/** xz-file-format, "Stream Header" and "Stream Footer" (sections 2.1.1 and 2.1.2): 12 bytes each. */
export const streamHeaderBytes = 12;

/** ids of the integrity checks that xz 5.4 verifies; 0 means that there is none (section 2.1.1.2) */
export const checkNames: Readonly<Record<number, string>> = {
  0: 'none',
  1: 'crc32',
  4: 'crc64',
  10: 'sha256',
};

const lzma2FilterId = 0x21;

/** Reads numbers, one after another, out of a header whose checksum was checked. */
export class XzFields {
  readonly #bytes: Uint8Array;
  at: number;

  constructor(bytes: Uint8Array, at: number) {
    this.#bytes = bytes;
    this.at = at;
  }

  byte(): number {
    const byte = this.#bytes[this.at];
    if (byte === undefined) throw damaged('xz', 'a header ends in the middle of a field');
    this.at += 1;
    return byte;
  }

  /** A multibyte integer: seven bits a byte, lowest first, at most nine bytes (section 1.2). */
  number(): number {
    let value = 0n;
    for (let i = 0; i < 9; i++) {
      const byte = this.byte();
      if (byte === 0 && i > 0) throw damaged('xz', 'a number in it is written with needless zeros');
      value |= BigInt(byte & 0x7f) << BigInt(7 * i);
      if (byte < 0x80) {
        if (value > BigInt(Number.MAX_SAFE_INTEGER)) throw damaged('xz', 'a size in it is beyond all reason');
        return Number(value);
      }
    }
    throw damaged('xz', 'a number in it does not end');
  }
}

/** Stream flags as header and footer carry them (section 2.1.1.2): the id of the check. */
export function readStreamFlags(bytes: Uint8Array, at: number): number {
  const [first = 0, second = 0] = bytes.subarray(at, at + 2);
  if (first !== 0 || (second & 0xf0) !== 0) throw damaged('xz', 'reserved flags are set in a stream');
  return second;
}

/** LZMA2 properties: one byte, sizes 2^n and 3 * 2^n up to 4 GiB - 1 (section 5.3.1). */
function lzma2DictionaryBytes(properties: number): number {
  if (properties > 40) throw damaged('xz', 'its dictionary size is not one that exists');
  if (properties === 40) return 2 ** 32 - 1;
  return (2 | (properties & 1)) * 2 ** (Math.floor(properties / 2) + 11);
}

/**
 * A block header (section 3.1): gives the dictionary that unpacking the block needs, in bytes.
 * @param bytes at least the whole header
 */
export function readBlockHeader(bytes: Uint8Array): number {
  const headerBytes = ((bytes[0] ?? 0) + 1) * 4;
  if (bytes[0] === 0 || headerBytes > bytes.length) throw damaged('xz', 'a block has no proper header');
  if (crc32(bytes.subarray(0, headerBytes - 4)) !== viewOf(bytes).getUint32(headerBytes - 4, true)) {
    throw damaged('xz', 'the checksum of a block header is wrong');
  }
  const flags = bytes[1] ?? 0;
  if ((flags & 0x3c) !== 0) throw damaged('xz', 'reserved flags are set in a block');
  const fields = new XzFields(bytes.subarray(0, headerBytes - 4), 2);
  if ((flags & 0x40) !== 0) fields.number();
  if ((flags & 0x80) !== 0) fields.number();
  let dictionaryBytes = 0;
  for (let filter = 0; filter <= (flags & 3); filter++) {
    const id = fields.number();
    const propertyBytes = fields.number();
    if (id === lzma2FilterId && propertyBytes === 1) {
      dictionaryBytes = Math.max(dictionaryBytes, lzma2DictionaryBytes(fields.byte()));
    } else {
      fields.at += propertyBytes;
    }
  }
  return dictionaryBytes;
}
