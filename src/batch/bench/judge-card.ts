import type { Code } from '../../contract/catalogue/index.ts';
import { type Facts, type Finding, finding } from '../../contract/finding.ts';
import { mountsOf } from '../../job/station/unmount-card.ts';
import type { ApprovedReader, CardSeen, KnownRecord } from './bench-types.ts';
import { isLikeSize, isSameReader } from './reader-approval.ts';

/** What the bench knows when a card appears. */
export interface BenchFacts {
  set: string;
  overwrite: 'ask' | 'any';
  unmount: 'ask' | 'yes';
  /** node → record, of this set, as far as it is not to be made again */
  done: ReadonlyMap<string, number>;
  /** what was approved at this reader in this batch; null where nothing was */
  approved: ApprovedReader | null;
  /** where this reader was when it was approved; null where it did not move */
  movedFrom: string | null;
}

/** `leave`: it is not written; `write`: it may be, after its code where `asks`. Each with the sentences that say why. */
export interface CardDecision {
  act: 'leave' | 'write';
  asks: boolean;
  says: Finding[];
}

/** A sentence, and whether the code has to be typed for it. */
interface Ground {
  says: Finding;
  asks: boolean;
}

/** What to do with a card that has just appeared. Pure: nothing but what is given decides. */
export function judgeCard(seen: CardSeen, bench: BenchFacts): CardDecision {
  const own = recordOnCard(seen);
  if (own && own.state === 'done' && own.node !== null && bench.done.get(own.node) === own.id) {
    return { act: 'leave', asks: false, says: [say(seen, 'batch.card-done', nameOf(own))] };
  }
  const grounds = [
    ...nodeGrounds(seen, bench, own),
    ...failureGrounds(seen),
    ...contentGrounds(seen, bench),
    ...mountGrounds(seen, bench),
    ...readerGrounds(seen, bench),
  ];
  return {
    act: 'write',
    asks: grounds.some(({ asks }) => asks),
    says: grounds.map(({ says }) => says),
  };
}

function say({ reader }: CardSeen, code: Code, facts: Facts = {}): Finding {
  return finding(code, 'note', { reader, ...facts });
}

const nameOf = ({ node, id }: KnownRecord) => ({ node: node ?? '', record: id });

/** The record that the card itself names. */
function recordOnCard({ says, records }: CardSeen): KnownRecord | null {
  return (says && records.find(({ uuid }) => uuid === says.record)) ?? null;
}

/** A card that is somebody: of this set or another. */
function nodeGrounds(seen: CardSeen, bench: BenchFacts, own: KnownRecord | null): Ground[] {
  const { says } = seen;
  if (says === null) return [];
  const ground = (code: Code, facts: Facts) => [
    { says: say(seen, code, facts), asks: bench.overwrite === 'ask' },
  ];
  if (says.set !== bench.set) return ground('batch.other-set', { set: says.set, node: says.node });
  if (own?.state !== 'done') return ground('batch.unrecorded-node', { node: says.node });
  return ground(bench.done.has(says.node) ? 'batch.card-replaced' : 'batch.card-to-redo', nameOf(own));
}

/** Faults of a card or its contacts; a cancelled job or a bad image says nothing about the card. */
const cardFaults = /^(?:job\.(?:mismatch|damage-|head-not-zero|files-differ|seal-not-read-back)|media\.)/;
const isSure = ({ matchedBy }: KnownRecord) => matchedBy === 'cid' || matchedBy === 'identity';

/** The newest job on this card, where it failed by the card's fault. Without a number of its own it is told as likely. */
function failureGrounds(seen: CardSeen): Ground[] {
  const known = seen.records.filter((one) => isSure(one) || seen.content.kind === 'unfinished');
  const [last] = known;
  if (last?.state !== 'failed' || last.code === null || !cardFaults.test(last.code)) return [];
  const code = isSure(last) ? 'batch.failed-before' : 'batch.maybe-failed-before';
  return [{ says: say(seen, code, { ...nameOf(last), code: last.code }), asks: true }];
}

/** A card of ours is known by its node; what a plan lets go without a question is still said. */
function contentGrounds(seen: CardSeen, bench: BenchFacts): Ground[] {
  if (seen.content.kind !== 'unknown' || seen.says !== null) return [];
  const why = seen.content.why.join('; ');
  return [{ says: say(seen, 'batch.unknown-content', { why }), asks: bench.overwrite === 'ask' }];
}

function mountGrounds(seen: CardSeen, bench: BenchFacts): Ground[] {
  const mounts = mountsOf(seen.disk);
  if (mounts.length === 0 || bench.unmount === 'yes') return [];
  return [{ says: say(seen, 'batch.mounted', { mounts: mounts.join(', ') }), asks: true }];
}

/** Has this reader been approved, and does the approval hold for this card? */
function readerGrounds(seen: CardSeen, { approved, movedFrom }: BenchFacts): Ground[] {
  const asks = true;
  if (seen.wasThere) return [{ says: say(seen, 'batch.was-there'), asks }];
  if (approved === null) {
    const says =
      movedFrom === null
        ? say(seen, 'batch.first-in-reader')
        : say(seen, 'batch.reader-moved', { before: movedFrom });
    return [{ says, asks }];
  }
  if (!isSameReader(seen.disk, approved)) return [{ says: say(seen, 'batch.other-reader'), asks }];
  const { sizeBytes } = seen.disk;
  if (isLikeSize(sizeBytes, approved.sizeBytes)) return [];
  return [{ says: say(seen, 'batch.other-size', { sizeBytes, approvedBytes: approved.sizeBytes }), asks }];
}
