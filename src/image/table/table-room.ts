import type { ByteSource } from '../../contract/blocks.ts';
import type { ImageTable, TableKind } from '../../contract/image.ts';
import { mibBytes } from '../../contract/job.ts';
import { emptyEntry } from './gpt-entries.ts';
import { readHeader } from './gpt-header.ts';
import { primaryEntries } from './mbr-sector.ts';

/** What a partition table has left for one more partition. */
export interface TableRoom {
  kind: TableKind;
  sectorBytes: number;
  /** number of the first unused entry; null where all are used */
  freeNumber: number | null;
  /** entries that the table has, used or not */
  entryCount: number;
  /** end of the partition that reaches furthest */
  endByte: number;
  /** bytes that the second copy of a GPT takes at the far end of the disk; 0 for an MBR */
  backupBytes: number;
}

/**
 * Looks for room in an image's table. Reads nothing past the first MiB, in which the table has to lie: that is what is
 * held back until a card is proven.
 *
 * @returns the reason, as the end of a sentence, where the table is none that can be added to
 */
export function findTableRoom(
  source: ByteSource,
  table: ImageTable,
): { ok: true; room: TableRoom } | { ok: false; why: string } {
  const { kind, sectorBytes, partitions } = table;
  const endByte = Math.max(0, ...partitions.map((partition) => partition.startByte + partition.sizeBytes));
  if (kind === 'mbr') {
    const used = partitions.map(({ number }) => number);
    const freeNumber = [1, 2, 3, 4].find((number) => !used.includes(number)) ?? null;
    const room = { kind, sectorBytes, freeNumber, entryCount: primaryEntries, endByte, backupBytes: 0 };
    return { ok: true, room };
  }
  const reading = readHeader(source, 1, sectorBytes);
  const header = reading?.header;
  if (!header || reading.problems.length > 0) return { ok: false, why: 'its first copy is not in order' };
  const arrayBytes = header.entryCount * header.entryBytes;
  if (header.entriesBlock * sectorBytes + arrayBytes > mibBytes) {
    return { ok: false, why: 'its entries reach past the first MiB' };
  }
  const entries = source.read(header.entriesBlock * sectorBytes, arrayBytes);
  const backupBytes = (Math.ceil(arrayBytes / sectorBytes) + 1) * sectorBytes;
  const { entryCount } = header;
  const room = {
    kind,
    sectorBytes,
    freeNumber: emptyEntry(entries, header),
    entryCount,
    endByte,
    backupBytes,
  };
  return { ok: true, room };
}
