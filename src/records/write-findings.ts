import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Finding } from '../contract/finding.ts';
import { settledState } from './owner.ts';
import { readOwner } from './read-rows.ts';
import type { CheckVerdict, NewCheck } from './record-types.ts';
import { change, type Store, stateOf, timeOf } from './store.ts';

function insertFinding(store: Store, job: number, check: number | null, finding: Finding): void {
  store.db
    .prepare('INSERT INTO findings (job, check_id, code, severity, facts) VALUES (?, ?, ?, ?, ?)')
    .run(job, check, finding.code, finding.severity, JSON.stringify(finding.facts));
}

/** Keeps what the job itself found. */
export function addFinding(store: Store, id: number, finding: Finding): void {
  change(store, () => {
    stateOf(store, id);
    insertFinding(store, id, null, finding);
  });
}

/** Keeps what a later `verify` found, beside the job and without changing it; gives the check's number. */
export function addCheck(store: Store, id: number, check: NewCheck): number {
  return change(store, () => {
    stateOf(store, id);
    const { lastInsertRowid } = store.db
      .prepare('INSERT INTO checks (job, at_ms, verdict, bytes_read_back) VALUES (?, ?, ?, ?)')
      .run(id, timeOf(store), check.verdict, check.bytesReadBack);
    const checkId = Number(lastInsertRowid);
    for (const finding of check.findings) insertFinding(store, id, checkId, finding);
    return checkId;
  });
}

interface LastCheck {
  id: number;
  verdict: CheckVerdict;
  bytes_read_back: number;
}

/**
 * Turns `unconfirmed` (or `sealing` whose process is gone) into `done` on the strength of the record's last check.
 * Throws `records.wrong-step` from any other state, `records.no-good-check` if that check is not a good one.
 */
export function settleUnconfirmed(store: Store, id: number): void {
  change(store, () => {
    const stored = stateOf(store, id);
    const state = settledState(stored, store.isGone(readOwner(store, id)));
    if (state !== 'unconfirmed') {
      throw new CardwrightError('records.wrong-step', { facts: { record: id, state, wanted: 'done' } });
    }
    const last = store.db
      .prepare<[number], LastCheck>(
        'SELECT id, verdict, bytes_read_back FROM checks WHERE job = ? ORDER BY id DESC LIMIT 1',
      )
      .get(id);
    if (last?.verdict !== 'good')
      throw new CardwrightError('records.no-good-check', { facts: { record: id } });
    store.db
      .prepare(`UPDATE jobs SET state = 'done', card_state = 'done', ended_at_ms = ?, bytes_read_back = ?,
        settled_by_check = ? WHERE id = ?`)
      .run(timeOf(store), last.bytes_read_back, last.id, id);
  });
}
