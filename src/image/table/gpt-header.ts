import { crc32 } from 'node:zlib';
import type { ByteSource } from '../../contract/blocks.ts';
import { safeUint64, startsWith, viewOf } from '../byte-view.ts';
import { readGuid } from './guid.ts';

/** Fields of a GPT header, UEFI 2.11 section 5.3.2, table 5.5; blocks are of the sector size it was found with. */
export interface GptHeader {
  myBlock: number;
  alternateBlock: number;
  firstUsableBlock: number;
  lastUsableBlock: number;
  diskGuid: string;
  entriesBlock: number;
  entryCount: number;
  entryBytes: number;
  entriesCrc32: number;
}

/** A header with its own reasons why it must not be used; an empty list is a sound one. */
export interface HeaderReading {
  header: GptHeader | null;
  problems: string[];
}

/** More than this is no partition table: 128 entries of 128 bytes are usual. */
const mostEntryArrayBytes = 2 ** 20;

function checkShape(header: GptHeader): string[] {
  const problems: string[] = [];
  const { entryBytes, entryCount } = header;
  if (entryBytes < 128 || entryBytes % 128 !== 0 || (entryBytes & (entryBytes - 1)) !== 0) {
    problems.push(`its entries claim ${entryBytes} bytes each`);
  } else if (entryCount * entryBytes > mostEntryArrayBytes) {
    problems.push(`it claims ${entryCount} entries`);
  }
  if (header.firstUsableBlock > header.lastUsableBlock)
    problems.push('its usable area ends before it begins');
  return problems;
}

function parseFields(sector: Uint8Array): GptHeader | null {
  const view = viewOf(sector);
  const myBlock = safeUint64(view, 24);
  const alternateBlock = safeUint64(view, 32);
  const firstUsableBlock = safeUint64(view, 40);
  const lastUsableBlock = safeUint64(view, 48);
  const entriesBlock = safeUint64(view, 72);
  if (myBlock === null || alternateBlock === null || entriesBlock === null) return null;
  if (firstUsableBlock === null || lastUsableBlock === null) return null;
  return {
    myBlock,
    alternateBlock,
    firstUsableBlock,
    lastUsableBlock,
    entriesBlock,
    diskGuid: readGuid(sector, 56),
    entryCount: view.getUint32(80, true),
    entryBytes: view.getUint32(84, true),
    entriesCrc32: view.getUint32(88, true),
  };
}

/**
 * Reads the header in `block`. Null where there is no "EFI PART".
 * The checksum is taken over the header's own length with its field as zeros (section 5.3.2).
 */
export function readHeader(source: ByteSource, block: number, sectorBytes: number): HeaderReading | null {
  const at = block * sectorBytes;
  if (at < 0 || at + sectorBytes > source.sizeBytes) return null;
  const sector = source.read(at, sectorBytes);
  if (!startsWith(sector, 0, 'EFI PART')) return null;
  const view = viewOf(sector);
  const headerBytes = view.getUint32(12, true);
  if (headerBytes < 92 || headerBytes > sectorBytes) {
    return { header: null, problems: [`its header claims ${headerBytes} bytes`] };
  }
  const copy = Buffer.from(sector.subarray(0, headerBytes));
  copy.writeUInt32LE(0, 16);
  if (crc32(copy) !== view.getUint32(16, true)) {
    return { header: null, problems: ['the checksum of its header is wrong'] };
  }
  const header = parseFields(sector);
  if (!header) return { header: null, problems: ['a place in its header is beyond all reason'] };
  const problems = checkShape(header);
  if (header.myBlock !== block)
    problems.push(`its header stands in block ${block} but says ${header.myBlock}`);
  return { header, problems };
}
