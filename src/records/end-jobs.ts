import type { CardState } from '../contract/card-state.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Code } from '../contract/catalogue/index.ts';
import { cardAfterCut } from './card-after-cut.ts';
import { settledState } from './owner.ts';
import { readOpenJobs, readPhases } from './read-rows.ts';
import { mayBecome } from './record-steps.ts';
import type { DoneFacts, StoredState } from './record-types.ts';
import { change, type Store, stateOf, timeOf } from './store.ts';

/** Moves a record on. Throws `records.wrong-step` where the way from its state does not lead there. */
function become(store: Store, id: number, wanted: StoredState, from: StoredState = stateOf(store, id)): void {
  if (!mayBecome(from, wanted)) {
    throw new CardwrightError('records.wrong-step', { facts: { record: id, state: from, wanted } });
  }
  store.db.prepare('UPDATE jobs SET state = ? WHERE id = ?').run(wanted, id);
}

function close(store: Store, id: number, card: CardState, code: Code | null): void {
  store.db
    .prepare('UPDATE jobs SET card_state = ?, code = ?, ended_at_ms = ? WHERE id = ?')
    .run(card, code, timeOf(store), id);
}

export function markSealing(store: Store, id: number): void {
  change(store, () => become(store, id, 'sealing'));
}

export function markDone(store: Store, id: number, facts: DoneFacts): void {
  change(store, () => {
    become(store, id, 'done');
    close(store, id, 'done', null);
    // The phase that this call ends cannot end itself in time: the record is its last act.
    store.db
      .prepare(
        'UPDATE phases SET elapsed_ms = max(0, ? - begun_at_ms), bytes = 0 WHERE job = ? AND elapsed_ms IS NULL',
      )
      .run(timeOf(store), id);
    store.db
      .prepare('UPDATE jobs SET bytes_read_back = ?, sectors_read = ? WHERE id = ?')
      .run(facts.bytesReadBack, facts.sectorsRead, id);
  });
}

export function markFailed(store: Store, id: number, code: Code, card: CardState): void {
  change(store, () => {
    become(store, id, 'failed');
    close(store, id, card, code);
  });
}

export function markCancelled(store: Store, id: number, card: CardState): void {
  change(store, () => {
    become(store, id, 'cancelled');
    close(store, id, card, null);
  });
}

/** Writes down what became of open jobs whose process is gone; when they ended is not known, so it stays open. */
export function settleInterrupted(store: Store): number[] {
  return change(store, () =>
    readOpenJobs(store)
      .filter((job) => store.isGone(job.owner))
      .map(({ id, state }) => {
        const settled = settledState(state, true);
        become(store, id, settled, state);
        const card = cardAfterCut(state, readPhases(store, id));
        store.db.prepare('UPDATE jobs SET card_state = ? WHERE id = ?').run(card, id);
        return id;
      }),
  );
}
