import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { ImagePartition, ImageTable } from '../../contract/image.ts';
import { readUpTo } from './bounded-read.ts';
import { isExtended, type MbrEntry } from './mbr-sector.ts';
import { NotYetRead } from './not-yet-read.ts';
import { superblockWindowBytes } from './probe-superblock.ts';
import { probeVolume } from './probe-volume.ts';
import { readGpt } from './read-gpt.ts';
import { readMbr } from './read-mbr.ts';

export interface TableReading {
  table: ImageTable | null;
  findings: Finding[];
}

/** A protective entry covers the disk the image was made on (UEFI 2.11 section 5.2.3); FFFFFFFF means "all". */
function protectiveNotes(protective: MbrEntry, sectorBytes: number, sizeBytes: number): Finding[] {
  const endByte = (protective.startSector + protective.sectors) * sectorBytes;
  if (protective.sectors === 0xffffffff || endByte <= sizeBytes) return [];
  return [finding('image.entry-longer-than-image', 'note', { entry: 'protective' })];
}

function sectorSizeNote(table: ImageTable | null): Finding[] {
  if (!table || table.sectorBytes === 512) return [];
  return [finding('image.sector-size', 'note', { sectorBytes: table.sectorBytes })];
}

function isGone(error: unknown): boolean {
  return error instanceof CardwrightError && error.code === 'image.needs-unpacking';
}

/** Lets a stream know early what may be asked for later; what cannot be had any more is simply not seen. */
function mentionEarly(source: ByteSource, offset: number): void {
  try {
    readUpTo(source, offset, superblockWindowBytes);
  } catch (error) {
    if (!(error instanceof NotYetRead) && !isGone(error)) throw error;
  }
}

function isSeenAt(source: ByteSource, startByte: number, sizeBytes: number): boolean {
  try {
    return (
      startByte > 0 && startByte < source.sizeBytes && probeVolume(source, startByte, sizeBytes) !== null
    );
  } catch (error) {
    if (isGone(error)) return false;
    throw error;
  }
}

/**
 * An MBR does not say which sectors it counts in. Where nothing is recognised at the places that 512-byte sectors
 * give, but something is at those of 4096-byte sectors, it was laid out for the latter.
 */
function countsIn4096(source: ByteSource, partitions: readonly ImagePartition[]): boolean {
  const candidates = partitions.filter(({ type }) => !isExtended(Number.parseInt(type, 16))).slice(0, 4);
  if (candidates.some((p) => (p.startByte + p.sizeBytes) * 8 > source.sizeBytes)) return false;
  for (const { startByte } of candidates) mentionEarly(source, startByte * 8);
  const isSeen = (factor: number) =>
    candidates.some((p) => isSeenAt(source, p.startByte * factor, p.sizeBytes * factor));
  return !isSeen(1) && isSeen(8);
}

function mbrAlone(source: ByteSource, found: ImagePartition[]): TableReading | null {
  const reading = readMbr(source, 512, found);
  if (!reading || reading.table.partitions.length === 0) return null;
  if (!countsIn4096(source, reading.table.partitions)) return reading;
  found.length = 0;
  const large = readMbr(source, 4096, found);
  return large && { table: large.table, findings: [...large.findings, ...sectorSizeNote(large.table)] };
}

/**
 * The partition table of an image: the GPT where the MBR announces one (as Linux decides), else the MBR. A GPT that
 * is not announced is used only where there is nothing else, with a note.
 * @param found receives the partitions as they are met, also those before a read that fails
 */
export function readTable(
  source: ByteSource,
  { withBackup }: { withBackup: boolean },
  found: ImagePartition[],
): TableReading | null {
  if (source.sizeBytes < 512) return null;
  const entries: ImagePartition[] = [];
  // for a first look only: chains are followed below
  const mbr = readMbr({ sizeBytes: 512, read: (at, length) => source.read(at, length) }, 512, entries);
  const protective = mbr?.protective ?? null;
  const gpt = protective
    ? readGpt(source, { withBackup, isAnnounced: true }, found)
    : readGpt(source, { withBackup: false, isAnnounced: false });
  if (protective && gpt) {
    const notes = protectiveNotes(protective, gpt.table?.sectorBytes ?? 512, source.sizeBytes);
    const hybrid = entries.length > 0 ? [finding('image.hybrid-mbr', 'note', { count: entries.length })] : [];
    return {
      table: gpt.table,
      findings: [...gpt.findings, ...notes, ...hybrid, ...sectorSizeNote(gpt.table)],
    };
  }
  const alone = mbrAlone(source, found);
  const unannounced = gpt?.table ? [finding('image.gpt-without-protection', 'note')] : [];
  if (alone) return { table: alone.table, findings: [...alone.findings, ...unannounced] };
  if (!gpt?.table) return null;
  found.push(...gpt.table.partitions);
  return { table: gpt.table, findings: [...unannounced, ...sectorSizeNote(gpt.table)] };
}
