import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { StreamWindow } from '../../src/image/stream-window.ts';
import { NotYetRead } from '../../src/image/table/not-yet-read.ts';
import { noise } from './recipes.ts';

const content = noise(3 * 2 ** 20);

function push(window: StreamWindow, from: number, to: number, step = 65_536): void {
  for (let at = from; at < to; at += step) window.push(content.subarray(at, Math.min(at + step, to)));
}

describe('what is kept of a stream', () => {
  it('its head, its end, and what somebody asked for in time', () => {
    const window = new StreamWindow(null);
    expect(() => window.read(2_000_000, 5000)).toThrow(NotYetRead);
    expect(window.takeNews()).toBe(false);
    push(window, 0, content.length);
    expect(window.takeNews()).toBe(true);
    expect(window.takeNews()).toBe(false);
    window.end();
    expect(window.sizeBytes).toBe(content.length);
    for (const [offset, length] of [
      [0, 2 ** 20],
      [1000, 7],
      [2_000_000, 5000],
      [content.length - 2 ** 18, 2 ** 18],
    ] as const) {
      expect(Buffer.compare(window.read(offset, length), content.subarray(offset, offset + length))).toBe(0);
    }
  });

  it('what is gone is said, by the place that was asked for', () => {
    const window = new StreamWindow(null);
    push(window, 0, content.length);
    expect(() => window.read(1_500_000, 512)).toThrow(CardwrightError);
    expect(() => window.read(1_500_000, 512)).toThrow(/byte 1,500,000/);
  });

  it('a range that has begun is completed', () => {
    const window = new StreamWindow(null);
    push(window, 0, 2_000_000);
    expect(() => window.read(1_990_000, 20_000)).toThrow(NotYetRead);
    push(window, 2_000_000, 2_100_000);
    expect(Buffer.compare(window.read(1_990_000, 20_000), content.subarray(1_990_000, 2_010_000))).toBe(0);
  });

  it('nobody can make it keep more than 64 MiB', () => {
    const window = new StreamWindow(null);
    expect(() => window.read(2 ** 30, 2 ** 27)).toThrow(CardwrightError);
  });

  it('knows whether anything but zeros came', () => {
    const window = new StreamWindow(10);
    window.push(Buffer.alloc(70_000));
    expect(window.hasSeenData).toBe(false);
    window.push(Buffer.from([0, 0, 1]));
    expect(window.hasSeenData).toBe(true);
    expect(window.sizeBytes).toBe(10);
  });

  it('gives the same bytes as the stream had, however it is cut and asked', () => {
    const cut = fc.array(fc.integer({ min: 1, max: 200_000 }), { minLength: 1, maxLength: 30 });
    const asked = fc.array(fc.tuple(fc.nat(content.length - 5001), fc.integer({ min: 1, max: 5000 })), {
      maxLength: 6,
    });
    fc.assert(
      fc.property(cut, asked, (steps, ranges) => {
        const window = new StreamWindow(null);
        for (const [offset, length] of ranges)
          if (offset + length > 2 ** 20) expect(() => window.read(offset, length)).toThrow();
        let at = 0;
        for (let i = 0; at < content.length; i++) {
          const next = Math.min(content.length, at + (steps[i % steps.length] ?? 1) + 30_000);
          window.push(content.subarray(at, next));
          at = next;
        }
        window.end();
        for (const [offset, length] of ranges) {
          expect(Buffer.compare(window.read(offset, length), content.subarray(offset, offset + length))).toBe(
            0,
          );
        }
      }),
      { numRuns: 40 },
    );
  });
});
