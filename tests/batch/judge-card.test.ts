import { describe, expect, it } from 'vitest';
import type { CardSeen, KnownRecord } from '../../src/batch/bench/bench-types.ts';
import { type BenchFacts, judgeCard } from '../../src/batch/bench/judge-card.ts';
import { approvalOf, isLikeSize, isSameReader, movedFrom } from '../../src/batch/bench/reader-approval.ts';
import { photoCard } from '../cli/screens/orchard.ts';

const disk = { ...photoCard, usbId: '1908:0226', uses: [], sizeBytes: 32_000_000_000 };
const approved = approvalOf(disk);
const bench: BenchFacts = {
  set: 'orchard',
  overwrite: 'ask',
  unmount: 'ask',
  done: new Map([['orchard-01', 13]]),
  approved,
  movedFrom: null,
};
const fresh: CardSeen = {
  reader: 'usb:1-2',
  disk,
  code: 'K7QF',
  wasThere: false,
  says: null,
  records: [],
  content: { kind: 'fresh', why: [] },
};
const record = (more: Partial<KnownRecord>): KnownRecord => ({
  id: 13,
  uuid: 'k7qf9mxa',
  set: 'orchard',
  node: 'orchard-01',
  state: 'done',
  code: null,
  matchedBy: 'identity',
  ...more,
});
const ownCard: CardSeen = {
  ...fresh,
  says: { set: 'orchard', node: 'orchard-01', record: 'k7qf9mxa' },
  records: [record({})],
};
const unknown: CardSeen = { ...fresh, content: { kind: 'unknown', why: ['PHOTOS (vfat) is on it'] } };
const codes = (seen: CardSeen, facts: Partial<BenchFacts> = {}) => {
  const { act, asks, says } = judgeCard(seen, { ...bench, ...facts });
  return [act, asks, ...says.map(({ code }) => code)];
};

describe('a card that has just appeared in an approved reader', () => {
  it('is written without a question where it is fresh, or this set’s own unfinished one', () => {
    expect(codes(fresh)).toEqual(['write', false]);
    const cut = record({ state: 'interrupted', matchedBy: 'place' });
    expect(codes({ ...fresh, content: { kind: 'unfinished', why: [] }, records: [cut] })).toEqual([
      'write',
      false,
    ]);
  });

  it('is left alone where it is a node that is done, even where the plan overwrites anything', () => {
    expect(codes(ownCard)).toEqual(['leave', false, 'batch.card-done']);
    expect(codes({ ...ownCard, wasThere: true }, { overwrite: 'any', approved: null })).toEqual([
      'leave',
      false,
      'batch.card-done',
    ]);
  });

  it('asks where it was a node and no longer counts as one', () => {
    expect(codes(ownCard, { done: new Map() })).toEqual(['write', true, 'batch.card-to-redo']);
    expect(codes(ownCard, { done: new Map([['orchard-01', 20]]) })).toEqual([
      'write',
      true,
      'batch.card-replaced',
    ]);
    expect(codes({ ...ownCard, records: [] })).toEqual(['write', true, 'batch.unrecorded-node']);
    const other = { set: 'vineyard', node: 'row-1', record: 'aaaaaaaa' };
    expect(codes({ ...ownCard, says: other })).toEqual(['write', true, 'batch.other-set']);
    expect(codes({ ...ownCard, says: other }, { overwrite: 'any' })).toEqual([
      'write',
      false,
      'batch.other-set',
    ]);
  });

  it('asks for what nobody knows, each time, unless the plan lets anything go', () => {
    expect(codes(unknown)).toEqual(['write', true, 'batch.unknown-content']);
    expect(codes(unknown, { overwrite: 'any' })).toEqual(['write', false, 'batch.unknown-content']);
  });

  it('asks for a card that failed by its own fault, whatever the plan says, and tells a likely one from a sure one', () => {
    const failed = record({ state: 'failed', code: 'job.mismatch', matchedBy: 'cid' });
    expect(codes({ ...fresh, records: [failed] }, { overwrite: 'any' })).toEqual([
      'write',
      true,
      'batch.failed-before',
    ]);
    const hint: CardSeen = {
      ...fresh,
      content: { kind: 'unfinished', why: [] },
      records: [{ ...failed, matchedBy: 'place' }],
    };
    expect(codes(hint)).toEqual(['write', true, 'batch.maybe-failed-before']);
    // The same reader and size prove nothing about a fresh card.
    expect(codes({ ...hint, content: fresh.content })).toEqual(['write', false]);
    // It was the image's fault, or nobody's.
    expect(codes({ ...fresh, records: [{ ...failed, code: 'image.truncated' }] })).toEqual(['write', false]);
    expect(codes({ ...fresh, records: [record({ state: 'cancelled', matchedBy: 'cid' })] })).toEqual([
      'write',
      false,
    ]);
  });

  it('asks for mounted volumes unless the plan says that they may go', () => {
    const use = { kind: 'mount', what: '/media/grower/PHOTOS' } as CardSeen['disk']['uses'][number];
    const mounted = { ...fresh, disk: { ...disk, uses: [use] } };
    expect(codes(mounted)).toEqual(['write', true, 'batch.mounted']);
    expect(codes(mounted, { unmount: 'yes' })).toEqual(['write', false]);
  });
});

describe('the approval of a reader', () => {
  it('is asked for at the first card, and for one that was there before the batch, in any reader', () => {
    expect(codes(fresh, { approved: null })).toEqual(['write', true, 'batch.first-in-reader']);
    expect(codes({ ...fresh, wasThere: true }, { overwrite: 'any' })).toEqual([
      'write',
      true,
      'batch.was-there',
    ]);
  });

  it('does not move along to another port, nor to another reader at this one', () => {
    expect(codes(fresh, { approved: null, movedFrom: 'usb:1-4' })).toEqual([
      'write',
      true,
      'batch.reader-moved',
    ]);
    const other = { ...approved, usbId: '05e3:0749' };
    expect(codes(fresh, { approved: other })).toEqual(['write', true, 'batch.other-reader']);
    expect(isSameReader(disk, other)).toBe(false);
    const table = new Map([['usb:1-4', approved]]);
    expect(movedFrom(disk, 'usb:1-2', table, new Set(['usb:1-2']))).toBe('usb:1-4');
    // Two of the same make, both plugged: neither moved.
    expect(movedFrom(disk, 'usb:1-2', table, new Set(['usb:1-2', 'usb:1-4']))).toBeNull();
    expect(movedFrom({ ...disk, usbId: null }, 'mmc:0', table, new Set())).toBeNull();
  });

  it('holds for cards of like size', () => {
    expect(isLikeSize(31_900_000_000, 32_000_000_000)).toBe(true);
    expect(codes({ ...fresh, disk: { ...disk, sizeBytes: 256_000_000_000 } })).toEqual([
      'write',
      true,
      'batch.other-size',
    ]);
  });
});
