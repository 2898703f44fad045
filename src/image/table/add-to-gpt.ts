import { crc32 } from 'node:zlib';
import type { ByteSource, ChangedRange } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageTable } from '../../contract/image.ts';
import { type GptHeader, readHeader } from './gpt-header.ts';
import { guidBytes } from './guid.ts';
import { withProtectedSectors } from './mbr-sector.ts';
import type { NewPartition } from './new-partition.ts';

/** Fields of a GPT header that differ between the two copies or follow the disk's size (UEFI 2.11, table 5.5). */
interface Placed {
  myBlock: number;
  alternateBlock: number;
  lastUsableBlock: number;
  entriesBlock: number;
  entriesCrc32: number;
}

function fillHeader(sector: Uint8Array, placed: Placed): Uint8Array {
  const copy = Buffer.from(sector);
  copy.writeBigUInt64LE(BigInt(placed.myBlock), 24);
  copy.writeBigUInt64LE(BigInt(placed.alternateBlock), 32);
  copy.writeBigUInt64LE(BigInt(placed.lastUsableBlock), 48);
  copy.writeBigUInt64LE(BigInt(placed.entriesBlock), 72);
  copy.writeUInt32LE(placed.entriesCrc32, 88);
  copy.writeUInt32LE(0, 16);
  copy.writeUInt32LE(crc32(copy.subarray(0, copy.readUInt32LE(12))), 16);
  return copy;
}

/** Fills one entry: type, unique GUID, first and last block, no attributes, name in UTF-16LE (section 5.3.3, table 5.6). */
function fillEntry(
  entries: Buffer,
  at: number,
  entryBytes: number,
  partition: NewPartition,
  sectorBytes: number,
): void {
  const entry = entries.subarray(at, at + entryBytes).fill(0);
  entry.set(guidBytes(partition.gptType), 0);
  entry.set(partition.uniqueGuid, 16);
  entry.writeBigUInt64LE(BigInt(partition.startByte / sectorBytes), 32);
  entry.writeBigUInt64LE(BigInt((partition.startByte + partition.sizeBytes) / sectorBytes - 1), 40);
  entry.set(Buffer.from(partition.name, 'utf16le').subarray(0, 72), 56);
}

/** The image's own second copy, where it is one and lies behind all partitions: on the larger card it is out of place. */
function clearOldCopy(
  card: ByteSource,
  imageBytes: number,
  header: GptHeader,
  sectorBytes: number,
): ChangedRange[] {
  const { alternateBlock, lastUsableBlock, diskGuid } = header;
  if (alternateBlock <= lastUsableBlock || (alternateBlock + 1) * sectorBytes > imageBytes) return [];
  const old = readHeader(card, alternateBlock, sectorBytes);
  if (!old?.header || old.problems.length > 0 || old.header.diskGuid !== diskGuid) return [];
  const { entriesBlock, entryCount, entryBytes } = old.header;
  const isBehind = entriesBlock > lastUsableBlock && entriesBlock < alternateBlock;
  const entries = {
    offset: entriesBlock * sectorBytes,
    data: roundedUp(entryCount * entryBytes, sectorBytes),
  };
  const isWhole = isBehind && entries.offset + entries.data.length <= alternateBlock * sectorBytes;
  return [
    ...(isWhole ? [entries] : []),
    { offset: alternateBlock * sectorBytes, data: new Uint8Array(sectorBytes) },
  ];
}

function roundedUp(bytes: number, sectorBytes: number): Uint8Array {
  return new Uint8Array(Math.ceil(bytes / sectorBytes) * sectorBytes);
}

/**
 * Both copies of a GPT with one partition more, laid out for a disk of the card's size (UEFI 2.11 sections 5.2.3, 5.3.2
 * and 5.3.3): the second copy first, then the old one's clearing, then entries, header and protective entry.
 *
 * @throws CardwrightError `seed.table-unfit`
 */
export function addToGpt(
  card: ByteSource,
  imageBytes: number,
  { sectorBytes }: ImageTable,
  partition: NewPartition,
  number: number,
): ChangedRange[] {
  const header = readHeader(card, 1, sectorBytes)?.header;
  if (!header)
    throw new CardwrightError('seed.table-unfit', { facts: { why: 'its first copy is not in order' } });
  const { entriesBlock, entryCount, entryBytes } = header;
  const entriesBytes = entryCount * entryBytes;
  const entrySectors = Math.ceil(entriesBytes / sectorBytes);
  const diskSectors = Math.floor(card.sizeBytes / sectorBytes);
  const lastBlock = diskSectors - 1;
  const lastUsableBlock = lastBlock - entrySectors - 1;
  if (partition.startByte + partition.sizeBytes > (lastUsableBlock + 1) * sectorBytes) {
    throw new CardwrightError('seed.table-unfit', {
      facts: { why: 'its second copy would lie in the volume' },
    });
  }
  const entries = Buffer.from(card.read(entriesBlock * sectorBytes, entrySectors * sectorBytes));
  fillEntry(entries, (number - 1) * entryBytes, entryBytes, partition, sectorBytes);
  const entriesCrc32 = crc32(entries.subarray(0, entriesBytes));
  const sector = card.read(sectorBytes, sectorBytes);
  const shared = { lastUsableBlock, entriesCrc32 };
  const first = { ...shared, myBlock: 1, alternateBlock: lastBlock, entriesBlock };
  const second = { ...shared, myBlock: lastBlock, alternateBlock: 1, entriesBlock: lastBlock - entrySectors };
  return [
    { offset: second.entriesBlock * sectorBytes, data: entries },
    { offset: lastBlock * sectorBytes, data: fillHeader(sector, second) },
    ...clearOldCopy(card, imageBytes, header, sectorBytes),
    { offset: entriesBlock * sectorBytes, data: entries },
    { offset: sectorBytes, data: fillHeader(sector, first) },
    { offset: 0, data: withProtectedSectors(card.read(0, sectorBytes), diskSectors) },
  ];
}
