import type { ByteSource } from '../../contract/blocks.ts';
import type { Finding } from '../../contract/finding.ts';
import type { ImagePartition, ImageTable } from '../../contract/image.ts';
import { followChain } from './extended-partitions.ts';
import { diskSignature, isExtended, type MbrEntry, protectiveType, readEntries } from './mbr-sector.ts';

export interface MbrReading {
  table: ImageTable;
  /** the entry that announces a GPT; null where there is none */
  protective: MbrEntry | null;
  findings: Finding[];
}

/**
 * Reads an MBR with its extended and logical partitions (UEFI 2.11 section 5.2.1; type codes as sfdisk lists them).
 * Protective entries are reported beside the partitions, not among them. Pure but for the reads.
 * @param sectorBytes the sector size that its numbers count in: an MBR does not say
 * @param found receives the partitions as they are met, also those before a read that fails
 * @returns null where there is no MBR, or one without entries
 */
export function readMbr(
  source: ByteSource,
  sectorBytes = 512,
  found: ImagePartition[] = [],
): MbrReading | null {
  if (source.sizeBytes < 512) return null;
  const sector = source.read(0, 512);
  const entries = readEntries(sector);
  if (!entries || entries.length === 0) return null;
  const ordinary = entries.filter((entry) => entry.type !== protectiveType);
  for (const entry of ordinary) {
    found.push({
      number: entry.slot,
      startByte: entry.startSector * sectorBytes,
      sizeBytes: entry.sectors * sectorBytes,
      type: entry.type.toString(16).padStart(2, '0'),
      name: null,
      bootable: entry.isActive,
    });
  }
  const findings = ordinary
    .filter((entry) => isExtended(entry.type))
    .flatMap((entry) => followChain(source, entry, sectorBytes, found));
  return {
    table: { kind: 'mbr', sectorBytes, partitions: found, diskId: diskSignature(sector) },
    protective: entries.find((entry) => entry.type === protectiveType) ?? null,
    findings,
  };
}
