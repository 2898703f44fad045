import { crc32 } from 'node:zlib';
import { viewOf } from '../byte-view.ts';
import { damaged } from './container-facts.ts';
import { XzFields } from './xz-fields.ts';

/** More blocks than this in one file are not listed: at 64 KiB a block that is 64 GiB. */
const mostBlocks = 2 ** 20;

export interface XzBlock {
  /** bytes from one block's start to the next one's */
  storedBytes: number;
  unpackedBytes: number;
}

/** The index of a stream (xz-file-format section 4): one record for each block, in order. */
export function readIndex(bytes: Uint8Array): XzBlock[] {
  const end = bytes.length - 4;
  if (crc32(bytes.subarray(0, end)) !== viewOf(bytes).getUint32(end, true)) {
    throw damaged('xz', 'the checksum of its index is wrong');
  }
  const fields = new XzFields(bytes.subarray(0, end), 0);
  if (fields.byte() !== 0) throw damaged('xz', 'its index does not begin as one');
  const count = fields.number();
  // a record has two bytes at least
  if (count > mostBlocks || count * 2 > bytes.length) throw damaged('xz', `it claims ${count} blocks`);
  const blocks: XzBlock[] = [];
  for (let i = 0; i < count; i++) {
    const unpaddedBytes = fields.number();
    if (unpaddedBytes < 5) throw damaged('xz', 'its index lists a block that is too short to be one');
    blocks.push({ storedBytes: Math.ceil(unpaddedBytes / 4) * 4, unpackedBytes: fields.number() });
  }
  if (end - fields.at > 3) throw damaged('xz', 'its index is longer than its records');
  return blocks;
}
