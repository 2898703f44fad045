import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { describeFinding } from '../../src/contract/finding.ts';
import type { DamagedRange, DamageKind } from '../../src/contract/job.ts';
import {
  counterFinding,
  damageFacts,
  damageFindings,
  isLost,
  mismatchError,
  stateAfter,
} from '../../src/job/verdict.ts';

const range = (offset: number, partition = 0): DamagedRange => ({ offset, length: 512, partition });
const damage = (ranges: DamagedRange[], kind: DamageKind = 'stable-damage') => ({
  kind,
  ranges,
  bytes: ranges.length * 512,
});

describe('damage, in findings', () => {
  const words: [DamageKind, string, RegExp][] = [
    ['stable-damage', 'job.damage-stable', /3 times, the same wrong bytes/],
    ['unstable-reads', 'job.damage-unstable', /3 times, not the same bytes/],
    ['dropped-writes', 'job.damage-dropped', /3 times out of 3/],
    ['wrapped-capacity', 'job.damage-wrapped', /starts over at its real size/],
    ['forgotten-capacity', 'job.damage-forgotten', /forgets what is past/],
    ['stale-data', 'job.damage-stale', /hold older data/],
  ];

  it.each(words)('%s is %s', (kind, code, sentence) => {
    const [first, second, ...more] = damageFindings(damage([range(1024)], kind));
    expect(first).toEqual({ code, severity: 'fail', facts: { times: 3 } });
    expect(describeFinding(first!)).toMatch(sentence);
    expect(second).toMatchObject({ code: 'job.damaged-range', severity: 'fail' });
    expect(more).toEqual([]);
  });

  it('tells where, in which partition or in none', () => {
    const places = damageFindings(damage([range(0), range(4096, 1), range(8192, 2)])).slice(1);
    expect(places.map(({ facts }) => facts)).toEqual([
      { offset: 0, length: 512, partition: 0, where: 'outside every partition' },
      { offset: 4096, length: 512, partition: 1, where: 'in partition 1' },
      { offset: 8192, length: 512, partition: 2, where: 'in partition 2' },
    ]);
  });

  it('lists the first 20 places, and counts all of them', () => {
    const many = damage(Array.from({ length: 30 }, (_, at) => range((at + 3) * 4096, 2)));
    const places = damageFindings(many).filter(({ code }) => code === 'job.damaged-range');
    expect(places.map(({ facts }) => facts.offset)).toEqual(
      Array.from({ length: 20 }, (_, at) => (at + 3) * 4096),
    );
    expect(damageFacts(many)).toEqual({ places: 30, bytes: 30 * 512, offset: 3 * 4096, partition: 2 });
  });

  it('is an error that says what became of the card', () => {
    const found = damage([range(4096, 1)]);
    const error = mismatchError(found, 'unbootable');
    expect(error).toMatchObject({
      code: 'job.mismatch',
      card: 'unbootable',
      facts: { places: 1, bytes: 512, offset: 4096, partition: 1 },
    });
    expect(error.findings).toEqual(damageFindings(found));
  });

  it('without a place to name has facts all the same', () => {
    expect(damageFacts(damage([]))).toEqual({ places: 0, bytes: 0, offset: 0, partition: 0 });
  });
});

describe('a card that is out of hands', () => {
  it.each(['media.gone', 'media.changed', 'job.identity-changed'] as const)(
    'after %s its state is unknown from the first write on',
    (code) => {
      const error = new CardwrightError(code);
      expect(isLost(error)).toBe(true);
      for (const mark of ['head is coming off', 'head is off', 'sealing', 'done'] as const) {
        for (const head of ['zeros', 'no zeros', 'not asked'] as const) {
          expect(stateAfter(mark, error, head)).toBe('unknown');
        }
      }
      expect(stateAfter('nothing written', error, 'not asked')).toBe('untouched');
    },
  );

  it.each(['media.write-failed', 'media.read-failed', 'job.mismatch'] as const)(
    'after %s it is not',
    (code) => {
      expect(isLost(new CardwrightError(code))).toBe(false);
    },
  );

  it.each(['sealing', 'done'] as const)('after a failure while %s nothing is claimed', (mark) => {
    for (const head of ['zeros', 'no zeros', 'not asked'] as const) {
      expect(stateAfter(mark, new CardwrightError('media.write-failed'), head)).toBe('unconfirmed');
    }
  });
});

describe('the counter of sectors read', () => {
  const read = (bytes: number, sectorsRead: number | null) =>
    counterFinding({ bytes, sectorsRead }, true, '/dev/sdb');

  it('is silent where it moved by all sectors, or by more', () => {
    expect([read(1024, 2), read(1024, 3), read(0, 0)]).toEqual([null, null, null]);
  });

  it('fails a reading that it saw only a part of; a broken sector counts whole', () => {
    expect(read(1024, 1)).toEqual({
      code: 'media.counter-did-not-move',
      severity: 'fail',
      facts: { expected: 2, found: 1 },
    });
    expect(read(1025, 2)).toMatchObject({ severity: 'fail', facts: { expected: 3, found: 2 } });
    expect(read(1, 0)).toMatchObject({ severity: 'fail', facts: { expected: 1, found: 0 } });
  });

  it('says nothing where it was not read, and says so where the kernel keeps none', () => {
    expect(read(1024, null)).toBeNull();
    expect(counterFinding({ bytes: 1024, sectorsRead: null }, false, '/dev/sdb')).toBeNull();
    expect(counterFinding({ bytes: 1024, sectorsRead: 0 }, false, '/dev/sdb')).toEqual({
      code: 'media.counter-not-kept',
      severity: 'note',
      facts: { node: '/dev/sdb' },
    });
  });
});
