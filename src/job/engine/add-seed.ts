import type { ImageTable } from '../../contract/image.ts';
import { type DigestMap, mibBytes } from '../../contract/job.ts';
import { addPartition } from '../../image/table/add-partition.ts';
import type { Medium } from '../../media/medium.ts';
import { seedLabel } from '../../volume/seed-facts.ts';
import { makeSeedVolume, seedMbrType } from '../../volume/seed-volume.ts';
import { applyChanges } from './apply-changes.ts';
import type { CardSource } from './card-source.ts';
import { extendDigestMap, pieceCount, pieceLength, setPieceDigest } from './digest-map.ts';
import { runLanes } from './lanes.ts';
import { laneCount, type PieceMemory } from './piece-memory.ts';
import type { Progress } from './progress.ts';

/** Microsoft basic data, the type of FAT volumes that are no system partition (UEFI 2.11 section 5.3.3). */
const basicDataType = 'EBD0A0A2-B9E5-4433-87C0-68B6B72699C7';

/** An empty seed volume at the card's far end, as plain data: it crosses the process border. */
export interface SeedOrder {
  /** a whole MiB behind the image; the volume is as large as `makeSeedVolume` makes it */
  startByte: number;
  sizeBytes: number;
  imageBytes: number;
  /** number of the first free entry, as the station saw it in the image */
  partition: number;
  /** the image's own table */
  table: ImageTable;
  /** 32-bit serial number of the volume */
  serial: number;
  /** sixteen bytes, of the partition in a GPT */
  uniqueGuid: Uint8Array;
}

interface SeedParts {
  medium: Medium;
  /** the image's map, ending with a whole piece */
  map: DigestMap;
  /** the card through a map, with the held-back head */
  openSource(map: DigestMap): CardSource;
  memory: PieceMemory;
  progress: Progress;
  checkStop(): void;
}

/**
 * Puts an empty seed volume behind the image and enters it in the table: the volume and zeros up to the card's end
 * first, then the table, whose first sectors are changed in the held-back head alone. A crash inside leaves a card
 * whose first MiB reads as zeros.
 *
 * @returns the map that covers both
 * @throws CardwrightError `seed.*`, `media.*`
 */
export async function addSeed(parts: SeedParts, order: SeedOrder): Promise<DigestMap> {
  const { medium } = parts;
  const { startByte, sizeBytes, imageBytes, table, serial, uniqueGuid } = order;
  const { sectorBytes } = table;
  const map = extendDigestMap(parts.map, medium.sizeBytes);
  await writeFrom(startByte, makeSeedVolume({ sectorBytes, serial, startByte }), map, parts);
  await medium.flush();
  const source = parts.openSource(map);
  const mbrType = seedMbrType(sectorBytes);
  const partition = { startByte, sizeBytes, mbrType, gptType: basicDataType, name: seedLabel, uniqueGuid };
  const { changes, number } = addPartition(source, imageBytes, table, partition);
  if (number !== order.partition) throw new Error('the table has changed since the image was looked at');
  await applyChanges(changes, { medium, map, source, headIsHeld: true });
  return map;
}

/** Writes content and zeros behind it up to the end of the map. */
async function writeFrom(
  startByte: number,
  content: Uint8Array,
  map: DigestMap,
  { medium, memory, progress, checkStop }: SeedParts,
): Promise<void> {
  const first = startByte / mibBytes;
  await runLanes(pieceCount(map.sizeBytes) - first, laneCount, async (at, lane) => {
    checkStop();
    const piece = first + at;
    const length = pieceLength(map, piece);
    const bytes = memory.lane(lane).subarray(0, length).fill(0);
    bytes.set(content.subarray(at * mibBytes, at * mibBytes + length));
    const [digest] = await Promise.all([memory.digest(lane, length), medium.write(bytes, piece * mibBytes)]);
    setPieceDigest(map, piece, digest);
    progress.add(length);
  });
}
