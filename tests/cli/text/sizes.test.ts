import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  formatCount,
  formatExactBytes,
  formatRate,
  formatShare,
  formatSize,
  percentOf,
} from '../../../src/cli/text/sizes.ts';

/** Decimal prefixes as in the SI brochure (9th edition, table 7): k = 10^3, M = 10^6, G = 10^9, T = 10^12. */
describe('formatSize', () => {
  it.each([
    [0, '0 bytes'],
    [1, '1 byte'],
    [999, '999 bytes'],
    [1000, '1 kB'],
    [1024, '1.02 kB'],
    [53_248, '53.2 kB'],
    [512_000_000, '512 MB'],
    [486_123_456, '486 MB'],
    [999_499_999, '999 MB'],
    [999_500_000, '1.00 GB'],
    [1_873_805_312, '1.87 GB'],
    [31_914_983_424, '31.9 GB'],
    [32_000_000_000, '32 GB'],
    [32_010_928_128, '32.0 GB'],
    [512_110_190_592, '512 GB'],
    [2_000_398_934_016, '2.00 TB'],
    [Number.MAX_SAFE_INTEGER, '9.01 PB'],
  ])('%d is %s', (bytes, text) => {
    expect(formatSize(bytes)).toBe(text);
  });

  it('never shows four digits before the unit, and stays within half a unit of the last place', () => {
    fc.assert(
      fc.property(fc.maxSafeNat(), (bytes) => {
        const [number = '', unit = ''] = formatSize(bytes).split(' ');
        const factor = { kB: 1e3, MB: 1e6, GB: 1e9, TB: 1e12, PB: 1e15 }[unit] ?? 1;
        expect(number.replace(/\..*/, '').length).toBeLessThan(4);
        const lastPlace = 10 ** -(number.split('.')[1]?.length ?? 0) * factor;
        expect(Math.abs(Number(number) * factor - bytes)).toBeLessThanOrEqual(lastPlace * 0.5000001);
      }),
    );
  });
});

describe('exact numbers', () => {
  it('have separators', () => {
    expect(formatCount(3_659_776)).toBe('3,659,776');
    expect(formatExactBytes(1_873_805_312)).toBe('1,873,805,312 bytes');
    expect(formatExactBytes(1)).toBe('1 byte');
    expect(formatExactBytes(2n ** 64n)).toBe('18,446,744,073,709,551,616 bytes');
  });
});

describe('formatRate', () => {
  it.each([
    [0, '0 bytes/s'],
    [512.4, '512 bytes/s'],
    [66_560, '66.6 kB/s'],
    [21_412_345, '21.4 MB/s'],
    [1_450_000_000, '1.45 GB/s'],
  ])('%d is %s', (rate, text) => {
    expect(formatRate(rate)).toBe(text);
  });
});

describe('what is done of a total', () => {
  it('is cut, not rounded: nothing looks done before it is', () => {
    expect(formatShare(1_210_000_000, 1_873_805_312)).toBe('1.21 of 1.87 GB');
    expect(formatShare(1_873_805_311, 1_873_805_312)).toBe('1.86 of 1.87 GB');
    expect(formatShare(1_873_805_312, 1_873_805_312)).toBe('1.87 of 1.87 GB');
    expect(formatShare(3, 512)).toBe('3 of 512 bytes');
    expect(percentOf(1_873_805_311, 1_873_805_312)).toBe(99);
    expect(percentOf(0, 0)).toBe(100);
  });

  it('shows the total only at the end, whatever the numbers', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 2 ** 45 }),
        fc.double({ min: 0, max: 1, noNaN: true }),
        (total, part) => {
          const done = Math.floor(total * part);
          const [shown, whole] = formatShare(done, total).split(/ of | /);
          expect(Number(shown)).toBeLessThanOrEqual(Number(whole));
          if (done < total) {
            expect(shown).not.toBe(whole);
            expect(percentOf(done, total)).toBeLessThan(100);
          } else expect(shown).toBe(whole);
        },
      ),
    );
  });
});
