import type { CardState } from '../contract/card-state.ts';
import { type Phase, phases } from '../contract/job.ts';
import type { RecordedPhase, StoredState } from './record-types.ts';

const beforeWriting: readonly Phase[] = phases.slice(0, phases.indexOf('head-off'));

/**
 * What a card is whose job was cut off, from the phases it had entered. Only an ended `head-off` proves that the
 * first MiB reads as zeros; between its beginning and its end nothing is known.
 */
export function cardAfterCut(
  state: StoredState,
  entered: readonly Pick<RecordedPhase, 'phase' | 'elapsedMs'>[],
): CardState {
  if (state === 'sealing' || state === 'unconfirmed') return 'unconfirmed';
  if (entered.some((p) => p.phase === 'head-off' && p.elapsedMs !== null)) return 'unbootable';
  return entered.every((p) => beforeWriting.includes(p.phase)) ? 'untouched' : 'unknown';
}
