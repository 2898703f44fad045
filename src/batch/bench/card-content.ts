import type { Disk, Signature } from '../../contract/devices.ts';
import type { CardContent } from './bench-types.ts';

/** One sampled block: all bytes 00, all FF, or something. */
export interface Sample {
  offset: number;
  isBlank: boolean;
}

export interface ContentFacts {
  disk: Pick<Disk, 'name' | 'sizeBytes' | 'signatures' | 'partitions'>;
  samples: readonly Sample[];
  /** volumes, by the disk's or partition's name, that surely hold no file */
  emptyVolumes: ReadonlySet<string>;
  /** does the first MiB read as zeros, as every unfinished card of ours does? */
  headIsZero: boolean;
  /** pieces of the card that hold what the batch's image has at that place, beyond the first MiB */
  imagePieces: number;
  /** is there a record of this set that was not finished and may speak of this card? */
  hasUnfinishedRecord: boolean;
}

/** Where samples are taken: evenly from the first to the last block, and never fewer than at both ends. */
export function sampleOffsets(sizeBytes: number, count: number, blockBytes: number): number[] {
  const last = Math.floor(sizeBytes / blockBytes) - 1;
  if (last < 0) return [];
  const steps = Math.min(count - 1, last);
  const places = Array.from({ length: steps + 1 }, (_, at) => Math.floor((at * last) / Math.max(1, steps)));
  return [...new Set(places)].map((block) => block * blockBytes);
}

/**
 * What stands on a card, as far as blkid and samples tell. An unfinished card of ours has a cleared head and, behind it,
 * what the image has there; the rest of it was let go of when that job was approved. A fresh one is blank, or has one
 * empty volume and nothing beside it: a headerless encrypted disk looks blank at its head, so all of it is sampled.
 */
export function classifyContent(facts: ContentFacts): CardContent {
  if (facts.headIsZero && facts.imagePieces > 0 && facts.hasUnfinishedRecord) {
    return { kind: 'unfinished', why: [] };
  }
  const why = [...volumeReasons(facts), ...sampleReasons(facts)];
  return { kind: why.length === 0 ? 'fresh' : 'unknown', why };
}

function volumeReasons({ disk, emptyVolumes }: ContentFacts): string[] {
  if (disk.signatures === null) return ['what stands on it could not be read'];
  return disk.signatures
    .filter(({ type, on }) => type !== null && !emptyVolumes.has(on))
    .map((signature) => `${nameOf(signature)} is on it and may hold files`);
}

function nameOf({ label, type, on }: Signature): string {
  return `${label?.trim() || on} (${type})`;
}

interface Extent {
  from: number;
  to: number;
}

/** A GUID partition table ends 33 sectors before its disk does (UEFI 2.11 section 5.3.1), here in the largest sectors. */
const tableBytes = 34 * 4096;

function explained({ disk }: ContentFacts): Extent[] {
  return (disk.signatures ?? []).flatMap(({ on, type, tableType }) => {
    const partition = disk.partitions.find(({ name }) => name === on);
    const from = partition?.startBytes ?? 0;
    const to = from + (partition?.sizeBytes ?? disk.sizeBytes);
    if (type !== null) return [{ from, to }];
    if (tableType === null) return [];
    const head = { from: 0, to: tableType === 'gpt' ? tableBytes : 4096 };
    return tableType === 'gpt' ? [head, { from: disk.sizeBytes - tableBytes, to: disk.sizeBytes }] : [head];
  });
}

function sampleReasons(facts: ContentFacts): string[] {
  const extents = explained(facts);
  const odd = facts.samples.filter(
    ({ offset, isBlank }) => !isBlank && !extents.some(({ from, to }) => offset >= from && offset < to),
  );
  const [first] = odd;
  if (!first) return [];
  const places = `${odd.length} of ${facts.samples.length} places`;
  return [`there is data at ${places} that no volume explains, first at byte ${first.offset}`];
}
