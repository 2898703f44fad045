import { CardwrightError } from '../contract/cardwright-error.ts';
import { listCards } from './cards.ts';
import { listBatches, listSets, readCurve, readImageMap } from './read-batches.ts';
import { readDigestMap, readRecord } from './read-records.ts';
import type { RecordView, StoreCheck } from './record-types.ts';
import { look, type Store } from './store.ts';

/** SQLite says how much of a file is broken in as many lines; these tell enough. */
const mostLines = 20;

/**
 * Reads the whole store: the file by SQLite's own checks (sqlite.org/pragma.html, integrity_check and
 * foreign_key_check), then every entry as a command would. Changes nothing. What is wrong becomes a sentence each.
 */
export function checkStore(store: Store): StoreCheck {
  const problems: string[] = [];
  const attempt = <T>(whose: string, act: () => T): T | null => {
    try {
      return act();
    } catch (error) {
      if (!(error instanceof CardwrightError) || error.code !== 'records.damaged') throw error;
      problems.push(`${whose}: ${error.facts.why}`);
      return null;
    }
  };
  const count = (whose: string, list: () => readonly unknown[]) => attempt(whose, list)?.length ?? 0;
  problems.push(...(attempt('the file', () => [...fileProblems(store), ...keyProblems(store)]) ?? []));
  const ids = attempt('the list of records', () => column<number>(store, 'SELECT id FROM jobs ORDER BY id'));
  let maps = 0;
  for (const id of ids ?? []) {
    const whose = `record ${id}`;
    const record = attempt(whose, () => readRecord(store, id));
    if (record) problems.push(...contradictions(record).map((what) => `${whose}: ${what}`));
    attempt(whose, () => readCurve(store, id));
    if (attempt(whose, () => readDigestMap(store, id))) maps++;
  }
  const images = attempt('the list of images', () => column<string>(store, 'SELECT root FROM image_maps'));
  for (const root of images ?? []) if (attempt(`image ${root}`, () => readImageMap(store, root))) maps++;
  return {
    path: store.path,
    problems,
    counts: {
      records: ids?.length ?? 0,
      batches: count('the batches', () => listBatches(store)),
      cards: count('the cards', () => listCards(store)),
      sets: count('the sets', () => listSets(store)),
      maps,
    },
  };
}

const column = <T>(store: Store, sql: string) =>
  look(store, () => store.db.prepare<[], T>(sql).pluck().all());

function fileProblems(store: Store): string[] {
  const lines = look(store, () => store.db.pragma(`integrity_check(${mostLines})`)) as {
    integrity_check: string;
  }[];
  return lines.flatMap(({ integrity_check: line }) => (line === 'ok' ? [] : [line]));
}

function keyProblems(store: Store): string[] {
  const rows = look(store, () => store.db.pragma('foreign_key_check')) as {
    table: string;
    rowid: number;
    parent: string;
  }[];
  return rows
    .slice(0, mostLines)
    .map(
      ({ table, rowid, parent }) =>
        `entry ${rowid} of ${table} speaks of something in ${parent} that is not there`,
    );
}

/** What no job can have written. */
function contradictions(record: RecordView): string[] {
  const { state, endedAtMs, bytesReadBack, settledByCheck, checks } = record;
  const isOpen = state === 'running' || state === 'sealing';
  const found: string[] = [];
  if (state === 'done' && bytesReadBack === null) found.push('it is done, and nothing was read back');
  if (state === 'done' && endedAtMs === null) found.push('it is done without an end');
  if (isOpen && endedAtMs !== null) found.push('it has ended and still runs');
  const settling = checks.find((check) => check.id === settledByCheck);
  if (settledByCheck !== null && settling?.verdict !== 'good') {
    found.push('it was settled by a check that was not good');
  }
  return found;
}
