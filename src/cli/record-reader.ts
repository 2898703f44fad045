import type { RecordsExport, RecordView, StoreCheck } from '../records/record-types.ts';
import type { Desk } from './desk.ts';

/** The records, wherever they are. */
export interface RecordReader {
  list(): Promise<RecordView[]>;
  read(id: number): Promise<RecordView | null>;
  check(): Promise<StoreCheck>;
  exportAll(): Promise<RecordsExport>;
}

const noCounts = { records: 0, batches: 0, cards: 0, sets: 0, maps: 0 };
const emptyExport = (): RecordsExport => ({
  format: 'cardwright-records',
  version: 1,
  ...{ sets: [], batches: [], cards: [], records: [] },
});

/** Looking makes no store: where there is none, there are no records. */
export async function openRecordReader(desk: Desk): Promise<RecordReader> {
  const daemon = await desk.daemon();
  if (daemon) {
    return {
      list: async () => (await daemon.records()).records,
      read: async (id) => (await daemon.record(id)).record,
      check: () => daemon.checkRecords(),
      exportAll: () => daemon.exportRecords(),
    };
  }
  const store = desk.existingRecords();
  store?.settleInterrupted();
  return {
    list: async () => store?.listRecords() ?? [],
    read: async (id) => store?.readRecord(id) ?? null,
    check: async () => store?.check() ?? { path: desk.recordsPath, counts: noCounts, problems: [] },
    exportAll: async () => store?.exportAll() ?? emptyExport(),
  };
}

/**
 * All records with the path of their store, for commands that only need what was made; null where there is no store, or
 * none that this user may read. Nothing in it is settled for that.
 */
export async function recordsAnywhere(desk: Desk): Promise<{ path: string; list: RecordView[] } | null> {
  const daemon = await desk.daemon();
  if (daemon) return { path: 'the daemon’s store', list: (await daemon.records()).records };
  const store = desk.existingRecords();
  return store && { path: store.path, list: store.listRecords() };
}
