import { describe, expect, it } from 'vitest';
import { cardAfterCut } from '../../src/records/card-after-cut.ts';
import { matchCard, normalizeCid, type RecordedTraits } from '../../src/records/match-card.ts';
import { mayBecome } from '../../src/records/record-steps.ts';
import type { CardTraits, MatchKind, StoredState } from '../../src/records/record-types.ts';

const cid = '0353445343333247801234567801312f';
const recorded: RecordedTraits = { uuid: 'U1', cid: null, serial: 'S1', port: 'usb:1-2', sizeBytes: 1000 };
const card: CardTraits = { cid: null, serial: 'S1', sizeBytes: 1000, port: 'usb:1-2', identityUuid: null };

describe('recognizing a card', () => {
  it.each<[string, Partial<CardTraits>, Partial<RecordedTraits>, MatchKind | null]>([
    ['by what is written on it', { identityUuid: 'U1', serial: null, sizeBytes: 1 }, {}, 'identity'],
    [
      'by what is written on it, though the CID differs',
      { identityUuid: 'U1', cid },
      { cid: 'f'.repeat(30) },
      'identity',
    ],
    ['not by another record written on it alone', { identityUuid: 'U2', serial: 'S9' }, {}, null],
    ['by its CID in any reader', { cid, serial: 'X', port: 'mmc:1' }, { cid: normalizeCid(cid) }, 'cid'],
    [
      'by its CID in capitals, its last byte dropped',
      { cid: '03534453433332478012345678013100' },
      { cid: normalizeCid(cid) },
      'cid',
    ],
    ['not with another CID', { cid: `1${cid.slice(1)}` }, { cid: normalizeCid(cid) }, null],
    ['by serial and size', { port: 'usb:9' }, {}, 'serial'],
    ['by serial where the CID is hidden now', {}, { cid: normalizeCid(cid) }, 'serial'],
    ['not by serial with another size', { sizeBytes: 999 }, {}, null],
    ['not with another serial in the same place', { serial: 'S2' }, {}, null],
    ['not with a serial where there was none', {}, { serial: null }, null],
    ['by place and size where no serial is known', { serial: null }, { serial: null }, 'place'],
    ['not by size alone', { serial: null, port: null }, { serial: null, port: null }, null],
  ])('%s', (_title, now, then, expected) => {
    expect(matchCard({ ...card, ...now }, { ...recorded, ...then })).toBe(expected);
  });
});

describe('the card of a job that was cut off', () => {
  const entered = (...list: [Parameters<typeof cardAfterCut>[1][number]['phase'], number | null][]) =>
    list.map(([phase, elapsedMs]) => ({ phase, elapsedMs }));

  it('is untouched until the head comes off, and unbootable only once it is off', () => {
    expect(cardAfterCut('running', [])).toBe('untouched');
    expect(cardAfterCut('running', entered(['claim', 5], ['hand-over', null]))).toBe('untouched');
    expect(cardAfterCut('running', entered(['claim', 5], ['head-off', null]))).toBe('unknown');
    expect(cardAfterCut('running', entered(['head-off', 5]))).toBe('unbootable');
    expect(cardAfterCut('running', entered(['head-off', 5], ['write', null]))).toBe('unbootable');
    expect(cardAfterCut('running', entered(['head-off', 5], ['seal', null]))).toBe('unbootable');
    expect(cardAfterCut('running', entered(['write', 5]))).toBe('unknown');
    expect(cardAfterCut('sealing', entered(['head-off', 5], ['seal', null]))).toBe('unconfirmed');
  });
});

describe('the steps of a record', () => {
  it('are these and no others', () => {
    const all: StoredState[] = [
      'running',
      'sealing',
      'done',
      'failed',
      'cancelled',
      'interrupted',
      'unconfirmed',
    ];
    const allowed = all.flatMap((from) =>
      all.filter((to) => mayBecome(from, to)).map((to) => `${from} → ${to}`),
    );
    expect(allowed.sort()).toEqual([
      'running → cancelled',
      'running → failed',
      'running → interrupted',
      'running → sealing',
      'sealing → cancelled',
      'sealing → done',
      'sealing → failed',
      'sealing → unconfirmed',
    ]);
  });
});
