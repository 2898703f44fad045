import { describe, expect, it } from 'vitest';
import type { JobEvent } from '../../src/contract/events.ts';
import { tapCurve, thinCurve } from '../../src/job/station/record-curve.ts';

const point = (at: number) => ({ elapsedMs: at, doneBytes: at * 1000 });

describe('the curve of a job', () => {
  it('keeps each phase’s points against its own beginning, and passes every event on', () => {
    const seen: JobEvent[] = [];
    let nowMs = 1000;
    const tap = tapCurve({ emit: (event) => seen.push(event) }, () => nowMs);
    const progress = (phase: 'write' | 'verify', doneBytes: number): JobEvent => ({
      type: 'progress',
      phase,
      doneBytes,
      totalBytes: 100,
      bytesPerSecond: 1,
      meanBytesPerSecond: 1,
      secondsLeft: null,
    });
    const events: JobEvent[] = [
      { type: 'phase', phase: 'seal', state: 'begin' },
      { type: 'phase', phase: 'write', state: 'begin' },
      progress('write', 40),
      progress('write', 100),
      { type: 'phase', phase: 'verify', state: 'begin' },
      progress('verify', 100),
    ];
    for (const event of events) {
      tap.port.emit(event);
      nowMs += 250;
    }
    expect(seen).toEqual(events);
    expect(tap.curve()).toEqual([
      {
        phase: 'write',
        points: [
          { elapsedMs: 250, doneBytes: 40 },
          { elapsedMs: 500, doneBytes: 100 },
        ],
      },
      { phase: 'verify', points: [{ elapsedMs: 250, doneBytes: 100 }] },
    ]);
  });

  it('is thinned to what a plot can show, and keeps its beginning and its end', () => {
    for (const count of [0, 1, 300, 301, 2000]) {
      const thinned = thinCurve(Array.from({ length: count }, (_, at) => point(at)));
      expect(thinned.length).toBe(count <= 300 ? count : thinned.length);
      expect(thinned.length).toBeLessThanOrEqual(300);
      expect(thinned[0]).toEqual(count === 0 ? undefined : point(0));
      expect(thinned.at(-1)).toEqual(count === 0 ? undefined : point(count - 1));
    }
  });
});
