import { describe, expect, it } from 'vitest';
import { formatDay, formatDuration, formatEstimate, formatMoment } from '../../../src/cli/text/durations.ts';

describe('formatDuration', () => {
  it.each([
    [0, '0 s'],
    [1, 'under 1 s'],
    [1000, '1 s'],
    [21_050, '21 s'],
    [59_499, '59 s'],
    [59_500, '1 min'],
    [88_800, '1 min 29 s'],
    [3_599_499, '59 min 59 s'],
    [3_599_500, '1 h'],
    [7_500_000, '2 h 5 min'],
    [86_399_000, '1 d'],
    [100 * 3_600_000, '4 d 4 h'],
  ])('%d ms is %s', (elapsedMs, text) => {
    expect(formatDuration(elapsedMs)).toBe(text);
  });
});

describe('formatEstimate', () => {
  it.each([
    [0, 'a moment'],
    [0.2, 'about 1 s'],
    [30.2, 'about 31 s'],
    [99.5, 'about 1 min 40 s'],
    [257, 'about 4 min 20 s'],
    [7503, 'about 2 h 5 min'],
  ])('%d s is %s', (seconds, text) => {
    expect(formatEstimate(seconds)).toBe(text);
  });
});

describe('dates', () => {
  const then = Date.UTC(2025, 10, 3, 23, 5);

  it('leave out this year, and name any other', () => {
    expect(formatDay(then, Date.UTC(2025, 11, 1), 'UTC')).toBe('3 Nov');
    expect(formatDay(then, Date.UTC(2026, 0, 1), 'UTC')).toBe('3 Nov 2025');
    expect(formatDay(then, null, 'UTC')).toBe('3 Nov 2025');
    expect(formatDay('2025-11-03T23:05:00Z', null, 'UTC')).toBe('3 Nov 2025');
  });

  it('go by the time zone of the station', () => {
    expect(formatMoment(then, 'UTC')).toBe('3 Nov 2025, 23:05');
    expect(formatMoment(then, 'Asia/Tokyo')).toBe('4 Nov 2025, 08:05');
  });

  it('say so when a time is none', () => {
    expect(formatDay('yesterday')).toBe('unknown date');
    expect(formatMoment(Number.NaN)).toBe('unknown time');
  });
});
