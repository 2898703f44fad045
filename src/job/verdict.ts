import type { CardState } from '../contract/card-state.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Code } from '../contract/catalogue/index.ts';
import { type Finding, finding } from '../contract/finding.ts';
import type { DamageKind } from '../contract/job.ts';
import type { Damage } from './engine/classify-damage.ts';

const damageCodes: Record<DamageKind, Code> = {
  'stable-damage': 'job.damage-stable',
  'unstable-reads': 'job.damage-unstable',
  'dropped-writes': 'job.damage-dropped',
  'wrapped-capacity': 'job.damage-wrapped',
  'forgotten-capacity': 'job.damage-forgotten',
  'stale-data': 'job.damage-stale',
};

/** Places are listed up to here; the total tells the rest. */
const mostRanges = 20;

/** Damage as findings: what kind, then where. */
export function damageFindings(damage: Damage): Finding[] {
  const kind = finding(damageCodes[damage.kind], 'fail', { times: 3 });
  const places = damage.ranges.slice(0, mostRanges).map(({ offset, length, partition }) =>
    finding('job.damaged-range', 'fail', {
      offset,
      length,
      partition,
      where: partition > 0 ? `in partition ${partition}` : 'outside every partition',
    }),
  );
  return [kind, ...places];
}

/** The error a job ends with when what was read back differs. */
export function mismatchError(damage: Damage, card: CardState): CardwrightError {
  return new CardwrightError('job.mismatch', {
    card,
    facts: damageFacts(damage),
    findings: damageFindings(damage),
  });
}

export function damageFacts(damage: Damage) {
  const first = damage.ranges[0];
  return {
    places: damage.ranges.length,
    bytes: damage.bytes,
    offset: first?.offset ?? 0,
    partition: first?.partition ?? 0,
  };
}

/** How far a job came, as far as the card's state depends on it. */
export type JobMark = 'nothing written' | 'head is coming off' | 'head is off' | 'sealing' | 'done';

/** What a last look at the first MiB gave; `not asked` where there was nobody to look, or no time. */
export type HeadSeen = 'zeros' | 'no zeros' | 'not asked';

/** Whether the card that a job was about is out of its hands. */
export function isLost({ code }: CardwrightError): boolean {
  return code === 'media.gone' || code === 'media.changed' || code === 'job.identity-changed';
}

/** What a card that came in between may have got: the kernel sends what is on its way to whatever is in the slot. */
export function sentMeanwhile({ code, facts }: Pick<CardwrightError, 'code' | 'facts'>): Finding[] {
  const { onTheWayBytes: bytes } = facts;
  const mayHave = code === 'media.changed' && typeof bytes === 'number' && bytes > 0;
  return mayHave ? [finding('media.sent-meanwhile', 'fail', { bytes })] : [];
}

/**
 * What the card is when a job ends at this mark with this error. "unbootable" is said only where the first MiB was
 * read as zeros: in the last look, or, where none was possible, when the head came off.
 */
export function stateAfter(mark: JobMark, error: CardwrightError, head: HeadSeen): CardState {
  if (mark === 'nothing written') return 'untouched';
  if (isLost(error)) return 'unknown';
  if (mark === 'sealing' || mark === 'done') return 'unconfirmed';
  if (head === 'not asked') return mark === 'head is off' ? 'unbootable' : 'unknown';
  return head === 'zeros' ? 'unbootable' : 'unknown';
}

/**
 * The kernel's counter as evidence that the reading left the memory: necessary, not sufficient.
 *
 * @param counts whether the kernel keeps the counter for this disk
 */
export function counterFinding(
  read: { bytes: number; sectorsRead: number | null },
  counts: boolean,
  node: string,
): Finding | null {
  if (read.sectorsRead === null) return null;
  if (!counts) return finding('media.counter-not-kept', 'note', { node });
  const expected = Math.ceil(read.bytes / 512);
  if (read.sectorsRead >= expected) return null;
  return finding('media.counter-did-not-move', 'fail', { expected, found: read.sectorsRead });
}
