import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { Facts } from '../../src/contract/finding.ts';
import { type HeadSeen, type JobMark, sentMeanwhile, stateAfter } from '../../src/job/verdict.ts';

const writeFailed = new CardwrightError('media.write-failed');
const gone = new CardwrightError('media.gone');

describe('what a card is after a failed job', () => {
  const cases: [JobMark, CardwrightError, HeadSeen, string][] = [
    ['nothing written', writeFailed, 'not asked', 'untouched'],
    ['nothing written', gone, 'not asked', 'untouched'],
    // Only a head that was read as zeros makes "does not boot" true.
    ['head is coming off', writeFailed, 'zeros', 'unbootable'],
    ['head is coming off', writeFailed, 'no zeros', 'unknown'],
    ['head is coming off', writeFailed, 'not asked', 'unknown'],
    ['head is off', writeFailed, 'zeros', 'unbootable'],
    ['head is off', writeFailed, 'no zeros', 'unknown'],
    ['head is off', writeFailed, 'not asked', 'unbootable'],
    ['head is off', gone, 'not asked', 'unknown'],
    ['sealing', writeFailed, 'not asked', 'unconfirmed'],
    ['sealing', gone, 'not asked', 'unknown'],
    ['done', writeFailed, 'not asked', 'unconfirmed'],
  ];

  it.each(cases)('%s, %s, head %s: %s', (mark, error, head, state) => {
    expect(stateAfter(mark, error, head)).toBe(state);
  });
});

describe('what a card that came in between may have got', () => {
  const changed = (facts: Facts) => sentMeanwhile({ code: 'media.changed', facts });

  it('is what was on its way when the card was changed', () => {
    expect(changed({ expected: 17, found: 18, onTheWayBytes: 3_145_728 })).toEqual([
      { code: 'media.sent-meanwhile', severity: 'fail', facts: { bytes: 3_145_728 } },
    ]);
    expect(changed({ onTheWayBytes: 1 })).toHaveLength(1);
  });

  it('is nothing where nothing was, or where no other card came', () => {
    expect(changed({ expected: 17, found: 18 })).toEqual([]);
    expect(changed({ onTheWayBytes: 0 })).toEqual([]);
    expect(sentMeanwhile({ code: 'media.gone', facts: { onTheWayBytes: 512 } })).toEqual([]);
  });
});
