import type { Database } from 'better-sqlite3';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { type Migration, refuseNewer } from './migrate.ts';
import type { Owner, StoredState } from './record-types.ts';
import { asStoreError } from './store-errors.ts';

/** An open store and what its functions need to know. */
export interface Store {
  readonly db: Database;
  readonly path: string;
  readonly migrations: readonly Migration[];
  readonly busyTimeoutMs: number;
  readonly owner: Owner;
  /** milliseconds since 1970 */
  now(): number;
  isGone(owner: Owner): boolean;
}

/** A newer program may have changed the layout since we opened the store; it is looked at under the lock. */
function guarded<T>(store: Store, act: () => T): () => T {
  return () => {
    refuseNewer(store.db, store.migrations);
    return act();
  };
}

/** Runs one change as one transaction. The write lock is taken first, so it waits its turn and never fails half-way. */
export function change<T>(store: Store, act: () => T): T {
  try {
    return store.db.transaction(guarded(store, act)).immediate();
  } catch (error) {
    throw asStoreError(error, store.path, store.busyTimeoutMs);
  }
}

/** Runs several reads over one unchanging view of the store. */
export function look<T>(store: Store, act: () => T): T {
  try {
    return store.db.transaction(guarded(store, act)).deferred();
  } catch (error) {
    throw asStoreError(error, store.path, store.busyTimeoutMs);
  }
}

/** The stored state of a record. Throws `records.no-such-record`. Call it inside a transaction. */
export function stateOf(store: Store, id: number): StoredState {
  const state = store.db
    .prepare<[number], StoredState>('SELECT state FROM jobs WHERE id = ?')
    .pluck()
    .get(id);
  if (state === undefined) throw new CardwrightError('records.no-such-record', { facts: { record: id } });
  return state;
}

export const timeOf = (store: Store): number => Math.trunc(store.now());
