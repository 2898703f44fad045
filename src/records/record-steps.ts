import type { StoredState } from './record-types.ts';

/** From which states a record may come into each; everything else is a fault of the caller. */
const comesFrom: Record<StoredState, readonly StoredState[]> = {
  running: [],
  sealing: ['running'],
  // and from `unconfirmed` by a good check alone (settleUnconfirmed)
  done: ['sealing'],
  failed: ['running', 'sealing'],
  cancelled: ['running', 'sealing'],
  interrupted: ['running'],
  unconfirmed: ['sealing'],
};

export function mayBecome(from: StoredState, to: StoredState): boolean {
  return comesFrom[to].includes(from);
}
