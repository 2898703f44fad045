import type { RecordedHostKey, RecordView } from '../../records/record-types.ts';
import { isOverwritten } from '../bench/settled-nodes.ts';

/** Whose host key it is that a machine showed. */
export interface KeyOwner {
  set: string | null;
  node: string;
  /** number of the record; null where the keys came from a file */
  record: number | null;
  /** is it a key of the card that was made last for this node? */
  isLatest: boolean;
}

/** The card that was made last for a node, as far as a roll call needs it. */
export interface KnownNode {
  hostKeys: readonly RecordedHostKey[];
  /** under which clients find the node */
  hostNames: readonly string[];
  record: number | null;
}

/** Which keys were made here, for whom. */
export interface KnownKeys {
  /** the set's nodes by name */
  nodes: ReadonlyMap<string, KnownNode>;
  /** owners by fingerprint, of every set */
  owners: ReadonlyMap<string, KeyOwner>;
}

/** A card that may be in its machine by now: what was being sealed when the power went may well be whole. */
const usable = new Set<RecordView['state']>(['done', 'unconfirmed', 'sealing']);

/** What the records know of a set's host keys, and of all other sets', so that a stranger can be told from a swap. */
export function keysFromRecords(records: readonly RecordView[], set: string): KnownKeys {
  const nodes = new Map<string, KnownNode>();
  const owners = new Map<string, KeyOwner>();
  const latest = new Set<string>();
  // The newest comes first.
  for (const record of records) {
    const { id, set: ofSet, node, state, identity } = record;
    if (node === null) continue;
    const place = JSON.stringify([ofSet, node]);
    // A card that was made into another node since is none of this one's.
    const isLatest = usable.has(state) && !latest.has(place) && !isOverwritten(record, records);
    if (isLatest) latest.add(place);
    if (isLatest && ofSet === set) {
      nodes.set(node, { hostKeys: identity.hostKeys, hostNames: identity.hostNames, record: id });
    }
    for (const { fingerprint } of identity.hostKeys) {
      // A key that a folder keeps is on every card of its node: the newest one counts.
      if (!owners.has(fingerprint)) owners.set(fingerprint, { set: ofSet, node, record: id, isLatest });
    }
  }
  return { nodes, owners };
}
