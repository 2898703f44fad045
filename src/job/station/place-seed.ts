import { randomBytes, randomUUID } from 'node:crypto';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageTable } from '../../contract/image.ts';
import { placeAtFarEnd, smallestCard } from '../../image/table/far-end.ts';
import { guidBytes } from '../../image/table/guid.ts';
import { mostMbrSectors } from '../../image/table/mbr-reach.ts';
import type { TableRoom } from '../../image/table/table-room.ts';
import { seedBytes } from '../../volume/seed-facts.ts';
import type { SeedOrder } from '../engine/add-seed.ts';

/** A seed volume that a plan asks for, before the card is known. */
export interface SeedWish {
  table: ImageTable;
  room: TableRoom;
  /** the partition's number */
  partition: number;
  imageBytes: number;
}

/** Bytes that a card must have beyond the image's own. */
export function bytesForSeed({ room, imageBytes }: SeedWish): number {
  return smallestCard(imageBytes, room, seedBytes) - imageBytes;
}

/**
 * The seed volume's place on a card of this size.
 *
 * @throws CardwrightError `seed.table-unfit`; an Error where the card is too small, which the guard has refused before
 */
export function placeSeed({ table, room, partition, imageBytes }: SeedWish, cardBytes: number): SeedOrder {
  const place = placeAtFarEnd({ sizeBytes: cardBytes }, imageBytes, room, seedBytes);
  if (!place) throw new Error('the card has no room for the seed volume');
  if (room.kind === 'mbr' && cardBytes > mostMbrSectors * room.sectorBytes) {
    const why = 'an MBR names no place that far out on this card';
    throw new CardwrightError('seed.table-unfit', { card: 'untouched', facts: { why } });
  }
  const serial = randomBytes(4).readUInt32LE();
  return { ...place, imageBytes, partition, table, serial, uniqueGuid: guidBytes(randomUUID()) };
}
