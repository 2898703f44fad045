import { CardwrightError } from '../../contract/cardwright-error.ts';
import { silentPort } from '../../contract/events.ts';
import type { CardInReader } from '../supervisor/card-in-reader.ts';
import { withWorker } from './read-card.ts';
import type { StationJob } from './take-card.ts';

/**
 * The record that a claimed card names itself, by its uuid: how a card without a CID is known again, so that what an
 * earlier record says of it ends with this job. Looked for only where some record speaks of a card of this size; null
 * where it says nothing, or nothing that can be read.
 *
 * @throws CardwrightError `media.*`
 */
export async function recordOnCard(
  { records }: Pick<StationJob, 'records'>,
  card: CardInReader,
): Promise<string | null> {
  const { cid, sizeBytes } = card.identity;
  if (cid !== null || !records.listRecords().some((one) => one.card.sizeBytes === sizeBytes)) return null;
  try {
    const { identity } = await withWorker(card, null, silentPort, (worker) => worker.call('readCard', {}));
    return identity?.record ?? null;
  } catch (error) {
    // Whatever is wrong with what stands on it: it is going to be written over.
    if (error instanceof CardwrightError && /^(?:image|volume|identity)\./.test(error.code)) return null;
    throw error;
  }
}
