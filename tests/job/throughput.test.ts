import { describe, expect, it } from 'vitest';
import { createThroughput } from '../../src/job/throughput.ts';

describe('throughput', () => {
  it('knows nothing before there is a rate', () => {
    expect(createThroughput(100, 0).read(0)).toEqual({
      doneBytes: 0,
      bytesPerSecond: 0,
      meanBytesPerSecond: 0,
      secondsLeft: null,
    });
  });

  it('gives the mean since the start and the rate of the last seconds', () => {
    const rate = createThroughput(1_000_000, 0);
    for (let second = 1; second <= 10; second++) rate.note(second * 40_000, second * 1000);
    // The card slows down to a tenth.
    for (let second = 11; second <= 20; second++) rate.note(400_000 + (second - 10) * 4000, second * 1000);
    const { bytesPerSecond, meanBytesPerSecond, secondsLeft } = rate.read(20_000);
    expect(bytesPerSecond).toBe(4000);
    expect(meanBytesPerSecond).toBe(22_000);
    expect(secondsLeft).toBe(140);
  });

  it('lets the rate fall while nothing completes', () => {
    const rate = createThroughput(1000, 0);
    rate.note(100, 1000);
    expect(rate.read(1000).bytesPerSecond).toBeGreaterThan(rate.read(60_000).bytesPerSecond);
  });

  it('has nothing left at the end', () => {
    const rate = createThroughput(100, 0);
    rate.note(100, 1000);
    expect(rate.read(1000).secondsLeft).toBe(0);
  });
});
