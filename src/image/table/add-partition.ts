import type { ByteSource, ChangedRange } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageTable } from '../../contract/image.ts';
import { addToGpt } from './add-to-gpt.ts';
import { mostMbrSectors } from './mbr-reach.ts';
import { withEntry } from './mbr-sector.ts';
import type { NewPartition } from './new-partition.ts';
import { findTableRoom } from './table-room.ts';

/**
 * Enters one more partition into the table of a card: what has to be written, in this order, the first sectors of the
 * card last. Of a GPT the second copy goes to the card's last sectors and an older one is cleared. Pure but for reads.
 *
 * @param card as large as the disk, holding the image from its start; reads stay within the image
 * @param imageBytes what of the card may be read
 * @throws CardwrightError `seed.table-full`, `seed.table-unfit`
 */
export function addPartition(
  card: ByteSource,
  imageBytes: number,
  table: ImageTable,
  partition: NewPartition,
): { changes: ChangedRange[]; number: number } {
  const found = findTableRoom(card, table);
  if (!found.ok) throw new CardwrightError('seed.table-unfit', { facts: { why: found.why } });
  const { freeNumber, entryCount, kind, sectorBytes } = found.room;
  if (freeNumber === null) {
    throw new CardwrightError('seed.table-full', { facts: { table: kind, count: entryCount } });
  }
  if (kind === 'gpt')
    return { changes: addToGpt(card, imageBytes, table, partition, freeNumber), number: freeNumber };
  const startSector = partition.startByte / sectorBytes;
  const sectors = partition.sizeBytes / sectorBytes;
  if (startSector + sectors > mostMbrSectors) {
    throw new CardwrightError('seed.table-unfit', { facts: { why: 'an MBR names no place that far' } });
  }
  const entry = { slot: freeNumber, type: partition.mbrType, startSector, sectors };
  const data = withEntry(card.read(0, sectorBytes), entry);
  return { changes: [{ offset: 0, data }], number: freeNumber };
}
