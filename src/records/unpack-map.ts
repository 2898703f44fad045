import { CardwrightError } from '../contract/cardwright-error.ts';
import type { DigestMap } from '../contract/job.ts';
import { decodeDigestMap, digestMapRoot } from './digest-map.ts';
import type { Store } from './store.ts';

/** A stored map. Throws `records.damaged` if it no longer gives the root kept beside it. */
export function unpackMap(
  store: Store,
  row: { packed: Uint8Array; size_bytes: number; root: string },
  whose: string,
): DigestMap {
  const facts = { path: store.path, why: `${whose} is not the one that was stored` };
  try {
    const map = decodeDigestMap(row.packed, row.size_bytes);
    if (digestMapRoot(map) === row.root) return map;
  } catch (cause) {
    throw new CardwrightError('records.damaged', { facts, cause });
  }
  throw new CardwrightError('records.damaged', { facts });
}
