import type { ByteSource } from '../contract/blocks.ts';
import { type Finding, finding } from '../contract/finding.ts';
import type { ImagePartition, ImageShape, ImageTable, ImageVolume } from '../contract/image.ts';
import { selectBootVolume } from './select-boot-volume.ts';
import { readUpTo } from './table/bounded-read.ts';
import { checkPartitions } from './table/check-partitions.ts';
import { hasBootSignature, isExtended } from './table/mbr-sector.ts';
import { NotYetRead } from './table/not-yet-read.ts';
import { probeVolume } from './table/probe-volume.ts';
import type { ProbedVolume } from './table/probed-volume.ts';
import { readTable } from './table/read-table.ts';

export interface Layout {
  shape: ImageShape;
  table: ImageTable | null;
  volumes: ImageVolume[];
  bootVolume: ImageVolume | null;
  findings: Finding[];
}

export interface ExamineOptions {
  /** true: the end of the source is at hand and the second copy of a GPT is read */
  withBackup: boolean;
  /** false where the source may still grow: its end is then not judged */
  isWhole: boolean;
}

/** Volumes are looked into in this many partitions at most. */
const mostVolumes = 256;

/** Runs all steps even if one has to wait, so that everything that is wanted of a stream is known early. */
class Steps {
  #waiting: NotYetRead | null = null;

  run<T>(step: () => T, otherwise: T): T {
    try {
      return step();
    } catch (error) {
      if (!(error instanceof NotYetRead)) throw error;
      this.#waiting ??= error;
      return otherwise;
    }
  }

  /** @throws NotYetRead where a step has to wait */
  finish(): void {
    if (this.#waiting) throw this.#waiting;
  }
}

function place(probed: ProbedVolume, partition: number, startByte: number, sizeBytes: number): ImageVolume {
  return { partition, startByte, sizeBytes, type: probed.type, label: probed.label };
}

function volumeTooLong(probed: ProbedVolume, partition: ImagePartition): Finding[] {
  const { volumeBytes, type } = probed;
  if (volumeBytes === null || volumeBytes <= partition.sizeBytes) return [];
  const facts = { type, partition: partition.number, volumeBytes, sizeBytes: partition.sizeBytes };
  return [finding('image.volume-longer-than-partition', 'note', facts)];
}

function probePartitions(source: ByteSource, partitions: readonly ImagePartition[], steps: Steps) {
  const volumes: ImageVolume[] = [];
  const findings: Finding[] = [];
  for (const partition of partitions.slice(0, mostVolumes)) {
    const { number, startByte, sizeBytes, type } = partition;
    if (startByte >= source.sizeBytes || (type.length === 2 && isExtended(Number.parseInt(type, 16))))
      continue;
    const probed = steps.run(() => probeVolume(source, startByte, sizeBytes), null);
    if (!probed) continue;
    volumes.push(place(probed, number, startByte, sizeBytes));
    findings.push(...volumeTooLong(probed, partition));
  }
  return { volumes, findings };
}

function wholeVolumeIncomplete(whole: ProbedVolume, sizeBytes: number): Finding[] {
  if (whole.volumeBytes === null || whole.volumeBytes <= sizeBytes) return [];
  const part = `the ${whole.type} volume it consists of`;
  return [finding('image.incomplete', 'refuse', { part, endByte: whole.volumeBytes, sizeBytes })];
}

/**
 * A volume at block 0 beside a table is part of a hybrid image where it is ISO 9660, or where the table's entries
 * describe it. Otherwise it is a leftover from before the table was made, and systems follow the table.
 */
function standsBesideTable(whole: ProbedVolume, partitions: readonly ImagePartition[]): boolean {
  return whole.type === 'iso9660' || partitions.every(({ startByte }) => startByte === 0);
}

function shapeOf(table: ImageTable | null, whole: ProbedVolume | null): ImageShape {
  if (table) return whole ? 'hybrid' : 'partitioned';
  return whole ? 'bare' : 'opaque';
}

function shapeNotes(shape: ImageShape, whole: ProbedVolume | null, source: ByteSource): Finding[] {
  if (shape === 'hybrid') return [finding('image.hybrid', 'note', { filesystem: whole?.type ?? 'unknown' })];
  if (shape !== 'opaque') return [];
  const isBootable = hasBootSignature(readUpTo(source, 0, 512));
  return [finding('image.opaque', 'note', { bootSignature: isBootable ? ', only a boot signature' : '' })];
}

/**
 * What an image looks like inside: partition table, volumes, boot volume, and whether it is all there. Pure but for
 * the reads, so it runs over a file, over what was kept of a stream, or over a card.
 * @throws NotYetRead where the source is a stream that has not come far enough
 */
export function examineLayout(source: ByteSource, { withBackup, isWhole }: ExamineOptions): Layout {
  const steps = new Steps();
  const atStart = steps.run(() => probeVolume(source, 0, source.sizeBytes), null);
  const found: ImagePartition[] = [];
  const reading = steps.run(() => readTable(source, { withBackup }, found), null);
  const partitions = reading?.table?.partitions ?? found;
  const whole = atStart && standsBesideTable(atStart, partitions) ? atStart : null;
  // a partition that begins where the whole volume does is the same volume
  const others = partitions.filter(({ startByte }) => startByte > 0 || !whole);
  const inside = probePartitions(source, others, steps);
  steps.finish();

  const table = reading?.table ?? null;
  const shape = shapeOf(table, whole);
  const volumes = [...(whole ? [place(whole, 0, 0, source.sizeBytes)] : []), ...inside.volumes];
  const endFindings = isWhole
    ? [
        ...(whole ? wholeVolumeIncomplete(whole, source.sizeBytes) : []),
        ...(table ? checkPartitions(table, source.sizeBytes, shape === 'hybrid') : []),
      ]
    : [];
  return {
    shape,
    table,
    volumes,
    bootVolume: selectBootVolume(volumes, table),
    findings: [
      ...(reading?.findings ?? []),
      ...endFindings,
      ...inside.findings,
      ...shapeNotes(shape, whole, source),
    ],
  };
}
