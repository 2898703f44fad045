import { type Finding, finding } from '../../contract/finding.ts';
import type { ImagePartition, ImageTable } from '../../contract/image.ts';
import { isExtended } from './mbr-sector.ts';

const mostReported = 8;

const endOf = ({ startByte, sizeBytes }: ImagePartition) => startByte + sizeBytes;

function isContainer(table: ImageTable, partition: ImagePartition): boolean {
  return table.kind === 'mbr' && isExtended(Number.parseInt(partition.type, 16));
}

function pastTheEnd(table: ImageTable, sizeBytes: number, isHybrid: boolean): Finding[] {
  return table.partitions
    .filter((partition) => endOf(partition) > sizeBytes)
    .map((partition) =>
      // the entry that covers a hybrid image is rounded up; whether the image is whole, its own file system says
      isHybrid && partition.startByte === 0
        ? finding('image.entry-longer-than-image', 'note', { entry: `partition ${partition.number}` })
        : finding('image.incomplete', 'refuse', {
            part: `partition ${partition.number}`,
            endByte: endOf(partition),
            sizeBytes,
          }),
    );
}

function overlaps(table: ImageTable, isHybrid: boolean): Finding[] {
  const inOrder = table.partitions
    .filter((partition) => !isContainer(table, partition))
    .sort((a, b) => a.startByte - b.startByte || a.number - b.number);
  const findings: Finding[] = [];
  let before: ImagePartition | null = null;
  for (const partition of inOrder) {
    if (before && partition.startByte < endOf(before)) {
      const facts = { first: before.number, second: partition.number };
      findings.push(
        isHybrid
          ? finding('image.overlap-in-hybrid', 'note', facts)
          : finding('image.partitions-overlap', 'refuse', { ...facts, atByte: partition.startByte }),
      );
    }
    if (!before || endOf(partition) > endOf(before)) before = partition;
  }
  return findings;
}

/**
 * What is wrong with the places of the partitions. A hybrid image (a file system from block 0 on beside its table)
 * overlaps itself by design, so there it is a note.
 */
export function checkPartitions(table: ImageTable, sizeBytes: number, isHybrid: boolean): Finding[] {
  const atBlock0 = table.partitions
    .filter(({ startByte }) => startByte === 0)
    .map(({ number }) => finding('image.partition-at-block-0', 'note', { partition: number }));
  return [pastTheEnd(table, sizeBytes, isHybrid), overlaps(table, isHybrid), atBlock0].flatMap((found) =>
    found.slice(0, mostReported),
  );
}
