import { mibBytes } from '../../contract/job.ts';
import type { TableRoom } from './table-room.ts';

/** A place on a card. */
export interface Place {
  startByte: number;
  sizeBytes: number;
}

/** First byte past the image at which a volume may begin: whole MiBs, as partitions are laid out everywhere. */
export function endOfImage(imageBytes: number, room: Pick<TableRoom, 'endByte'>): number {
  return Math.ceil(Math.max(imageBytes, room.endByte) / mibBytes) * mibBytes;
}

/**
 * The last place on a card that a volume of `sizeBytes` (whole MiBs) can have: aligned to a MiB, behind the image,
 * before the second copy of a GPT. Null where the card is too small.
 */
export function placeAtFarEnd(
  card: { sizeBytes: number },
  imageBytes: number,
  room: TableRoom,
  sizeBytes: number,
): Place | null {
  const wholeSectors = Math.floor(card.sizeBytes / room.sectorBytes) * room.sectorBytes;
  const limit = wholeSectors - room.backupBytes;
  const startByte = Math.floor((limit - sizeBytes) / mibBytes) * mibBytes;
  return startByte < endOfImage(imageBytes, room) ? null : { startByte, sizeBytes };
}

/** Size of the smallest card on which `placeAtFarEnd` finds a place. */
export function smallestCard(imageBytes: number, room: TableRoom, sizeBytes: number): number {
  return endOfImage(imageBytes, room) + sizeBytes + room.backupBytes;
}
