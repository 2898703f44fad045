import { crc32 } from 'node:zlib';
import type { ByteSource } from '../../contract/blocks.ts';
import type { ImagePartition } from '../../contract/image.ts';
import { fixedText, safeUint64, viewOf } from '../byte-view.ts';
import type { GptHeader } from './gpt-header.ts';
import { emptyGuid, readGuid } from './guid.ts';

/** Attribute bit 2, "legacy BIOS bootable": UEFI 2.11 section 5.3.3, table 5.8. */
const legacyBootable = 4;

/**
 * The entry array a header points to (UEFI 2.11 section 5.3.3): type GUID, unique GUID, first and last block,
 * attributes, name in UTF-16LE. Entries with an empty type are unused.
 * @param found receives the partitions as they are met
 */
export function readGptEntries(
  source: ByteSource,
  header: GptHeader,
  sectorBytes: number,
  found: ImagePartition[],
): string[] {
  const at = header.entriesBlock * sectorBytes;
  const length = header.entryCount * header.entryBytes;
  if (at + length > source.sizeBytes) return ['its entries lie beyond the end of the image'];
  const bytes = length === 0 ? new Uint8Array() : source.read(at, length);
  if (crc32(bytes) !== header.entriesCrc32) return ['the checksum of its entries is wrong'];
  const problems: string[] = [];
  for (let number = 1; number <= header.entryCount; number++) {
    const entry = bytes.subarray((number - 1) * header.entryBytes, number * header.entryBytes);
    const type = readGuid(entry, 0);
    if (type === emptyGuid) continue;
    const view = viewOf(entry);
    const first = safeUint64(view, 32);
    const last = safeUint64(view, 40);
    if (first === null || last === null || last < first) {
      problems.push(`partition ${number} ends before it begins`);
      continue;
    }
    found.push({
      number,
      startByte: first * sectorBytes,
      sizeBytes: (last - first + 1) * sectorBytes,
      type,
      name: fixedText(entry, 56, 72, 'utf16le'),
      bootable: (view.getUint8(48) & legacyBootable) !== 0,
    });
  }
  return problems;
}

/** Number of the first entry with an empty type; null where all are used. */
export function emptyEntry(entries: Uint8Array, header: GptHeader): number | null {
  for (let number = 1; number <= header.entryCount; number++) {
    if (readGuid(entries, (number - 1) * header.entryBytes) === emptyGuid) return number;
  }
  return null;
}
