import type { ByteSource } from '../../contract/blocks.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { ImagePartition, ImageTable } from '../../contract/image.ts';
import { readGptEntries } from './gpt-entries.ts';
import { type GptHeader, readHeader } from './gpt-header.ts';

export interface GptReading {
  /** null where neither copy can be read */
  table: ImageTable | null;
  findings: Finding[];
}

interface Copy {
  header: GptHeader | null;
  partitions: ImagePartition[];
  problems: string[];
}

function readCopy(
  source: ByteSource,
  block: number,
  sectorBytes: number,
  found: ImagePartition[],
): Copy | null {
  const reading = readHeader(source, block, sectorBytes);
  if (!reading) return null;
  const { header, problems } = reading;
  if (!header || problems.length > 0) return { header, partitions: [], problems };
  return { header, partitions: found, problems: readGptEntries(source, header, sectorBytes, found) };
}

function asTable(copy: Copy, sectorBytes: number): ImageTable | null {
  if (!copy.header || copy.problems.length > 0) return null;
  return { kind: 'gpt', sectorBytes, partitions: copy.partitions, diskId: copy.header.diskGuid };
}

/** The second copy matters little on a card, which is larger than the image anyway: what is wrong with it is a note. */
function checkBackup(source: ByteSource, header: GptHeader, sectorBytes: number): Finding[] {
  const backup = readCopy(source, header.alternateBlock, sectorBytes, []);
  if (!backup) {
    const expectedByte = header.alternateBlock * sectorBytes;
    return [finding('image.backup-table-missing', 'note', { expectedByte })];
  }
  const problems = [...backup.problems];
  if (backup.header && backup.header.diskGuid !== header.diskGuid)
    problems.push('it belongs to another disk');
  if (backup.header && backup.header.entriesCrc32 !== header.entriesCrc32) {
    problems.push('it lists other partitions than the first one');
  }
  return problems.map((problem) => finding('image.backup-table-damaged', 'note', { problem }));
}

/** What the copy at the very end says where the first one cannot be used. */
function fromBackup(source: ByteSource, sectorBytes: number, problem: string): GptReading {
  const found: ImagePartition[] = [];
  const backup = readCopy(source, Math.floor(source.sizeBytes / sectorBytes) - 1, sectorBytes, found);
  const table = backup ? asTable(backup, sectorBytes) : null;
  const text = table ? `${problem}; only the copy at the end of the image is sound` : problem;
  return { table, findings: [finding('image.table-damaged', 'refuse', { table: 'gpt', problem: text })] };
}

/**
 * Reads a GPT laid out for sectors of 512 or 4096 bytes (UEFI 2.11 sections 5.3.1 to 5.3.3).
 * @param withBackup true: the copy at the end is read as well, so the end of the source must be at hand
 * @param isAnnounced true where the MBR says that there is a GPT, so that a missing first copy is damage
 * @param found receives the partitions as they are met
 * @returns null where there is no GPT
 */
export function readGpt(
  source: ByteSource,
  { withBackup, isAnnounced }: { withBackup: boolean; isAnnounced: boolean },
  found: ImagePartition[] = [],
): GptReading | null {
  for (const sectorBytes of [512, 4096]) {
    const primary = readCopy(source, 1, sectorBytes, found);
    if (!primary) continue;
    const table = asTable(primary, sectorBytes);
    if (table && primary.header) {
      return { table, findings: withBackup ? checkBackup(source, primary.header, sectorBytes) : [] };
    }
    found.length = 0;
    const problem = primary.problems.join('; ');
    if (withBackup) return fromBackup(source, sectorBytes, problem);
    return { table: null, findings: [finding('image.table-damaged', 'refuse', { table: 'gpt', problem })] };
  }
  if (!isAnnounced) return null;
  const problem = 'the MBR announces a GPT, but its first copy is not there';
  if (!withBackup) {
    return { table: null, findings: [finding('image.table-damaged', 'refuse', { table: 'gpt', problem })] };
  }
  const in512 = fromBackup(source, 512, problem);
  return in512.table === null ? fromBackup(source, 4096, problem) : in512;
}
