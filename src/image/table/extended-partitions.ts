import type { ByteSource } from '../../contract/blocks.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { ImagePartition } from '../../contract/image.ts';
import { isExtended, type MbrEntry, readEntries } from './mbr-sector.ts';

/** Linux and sfdisk stop long before; a longer chain is a loop or an attack. */
const mostLogical = 128;

const typeText = (type: number) => type.toString(16).padStart(2, '0');

function problem(text: string): Finding {
  return finding('image.table-damaged', 'refuse', { table: 'mbr', problem: text });
}

/**
 * Follows the chain of extended boot records (common practice, no single standard; as Linux and sfdisk read it):
 * the first entry is relative to its own record, the second, the link, to the extended partition's start. Logical
 * partitions are numbered from 5 and put into `found` as they are met.
 */
export function followChain(
  source: ByteSource,
  extended: MbrEntry,
  sectorBytes: number,
  found: ImagePartition[],
): Finding[] {
  const seen = new Set<number>();
  const endSector = extended.startSector + extended.sectors;
  let record = extended.startSector;
  for (;;) {
    if (seen.has(record)) return [problem('its logical partitions form a circle')];
    if (seen.size >= mostLogical) return [problem(`it has more than ${mostLogical} logical partitions`)];
    seen.add(record);
    const at = record * sectorBytes;
    // past the end of the image: the check of the extended partition itself says so
    if (at + 512 > source.sizeBytes) return [];
    const entries = readEntries(source.read(at, 512));
    if (!entries) return [problem(`there is no record of logical partitions at byte ${at}`)];
    addLogical(entries, record, sectorBytes, found);
    const link = entries.find((entry) => isExtended(entry.type));
    if (!link) return [];
    record = extended.startSector + link.startSector;
    if (record >= endSector) return [problem('a logical partition lies outside the extended one')];
  }
}

function addLogical(entries: MbrEntry[], record: number, sectorBytes: number, found: ImagePartition[]): void {
  const entry = entries.find(({ type }) => !isExtended(type));
  if (!entry) return;
  const logical = found.filter(({ number }) => number >= 5).length;
  found.push({
    number: 5 + logical,
    startByte: (record + entry.startSector) * sectorBytes,
    sizeBytes: entry.sectors * sectorBytes,
    type: typeText(entry.type),
    name: null,
    bootable: entry.isActive,
  });
}
