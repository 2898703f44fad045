import type { StoreCheck } from '../../records/record-types.ts';
import { entry, type Sheet } from '../text/sheet.ts';
import { formatCount } from '../text/sizes.ts';

/** What a check of the record store read; what is wrong comes as an error of its own. */
export function storeCheckScreen({ path, counts, problems }: StoreCheck, sheet: Sheet): string[] {
  const read = Object.entries({
    record: counts.records,
    'digest map': counts.maps,
    card: counts.cards,
    batch: counts.batches,
    set: counts.sets,
  }).map(([noun, number]) => `${formatCount(number)} ${plural(noun, number)}`);
  const isGood = problems.length === 0;
  return [
    ...entry(sheet, isGood ? 'sound' : 'damaged', path, { tone: isGood ? 'good' : 'bad' }),
    ...entry(sheet, 'read', read),
  ];
}

const plural = (noun: string, number: number) =>
  number === 1 ? noun : noun === 'batch' ? 'batches' : `${noun}s`;
