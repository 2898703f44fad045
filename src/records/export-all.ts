import { listCards } from './cards.ts';
import { listBatches, listSets, readCurve } from './read-batches.ts';
import { listRecords } from './read-records.ts';
import type { RecordsExport } from './record-types.ts';
import type { Store } from './store.ts';

/** Reads the store from end to end. @throws CardwrightError `records.damaged` */
export function exportAll(store: Store): RecordsExport {
  return {
    format: 'cardwright-records',
    version: 1,
    sets: listSets(store),
    batches: listBatches(store),
    cards: listCards(store),
    records: listRecords(store).map((record) => ({ ...record, curve: readCurve(store, record.id) })),
  };
}
