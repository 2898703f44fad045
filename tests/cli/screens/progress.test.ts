import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { type ProgressEvent, progressLine } from '../../../src/cli/screens/progress-line.ts';
import { createProgressView } from '../../../src/cli/screens/progress-view.ts';
import { colourInk } from '../../../src/cli/text/ink.ts';
import { plainSheet } from '../../../src/cli/text/sheet.ts';
import { textWidth } from '../../../src/cli/text/text-width.ts';
import type { JobEvent } from '../../../src/contract/events.ts';
import { finding } from '../../../src/contract/finding.ts';
import { phases } from '../../../src/contract/job.ts';
import { imageBytes } from './orchard.ts';

function progress(doneBytes: number, over: Partial<ProgressEvent> = {}): ProgressEvent {
  return {
    type: 'progress',
    phase: 'write',
    doneBytes,
    totalBytes: imageBytes,
    bytesPerSecond: 21.4e6,
    meanBytesPerSecond: 20.9e6,
    secondsLeft: 31,
    ...over,
  };
}

const begin: JobEvent = { type: 'phase', phase: 'write', state: 'begin' };
const end: JobEvent = { type: 'phase', phase: 'write', state: 'end' };
const stall: JobEvent = { type: 'stall', phase: 'write', seconds: 5 };

function play(isTerminal: boolean, events: readonly JobEvent[]): string[] {
  const view = createProgressView({ ...plainSheet, isTerminal });
  return events.map((event) => view.render(event));
}

const wipe = '\r\u001b[K';

describe('the progress line', () => {
  it('has the bar, the amount, the rate and the time left', () => {
    expect(
      [40, 50, 60, 70, 80, 100].map((width) => progressLine(progress(1.21e9), { ...plainSheet, width })),
    ).toMatchInlineSnapshot(`
      [
        "write     ━━━━━━━━━━━━━────────  64 %",
        "write     ━━━━━━━━━━──────  64 %  1.21 of 1.87 GB",
        "write     ━━━━━━━━━─────  64 %  1.21 of 1.87 GB · 21.4 MB/s",
        "write     ━━━━━━━━━━━━━━━─────────  64 %  1.21 of 1.87 GB · 21.4 MB/s",
        "write     ━━━━━━━━━━──────  64 %  1.21 of 1.87 GB · 21.4 MB/s · about 31 s left",
        "write     ━━━━━━━━━━━━───────  64 %  1.21 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s",
      ]
    `);
  });

  it('says that nothing comes back, instead of a rate', () => {
    const line = progressLine(progress(1.21e9), plainSheet, 7);
    expect(line).toContain('1.21 of 1.87 GB · no answer for 7 s');
    expect(line).not.toContain('MB/s');
  });

  it('does not guess a time that is not known', () => {
    expect(progressLine(progress(0, { secondsLeft: null }), plainSheet)).toContain('time left not known');
  });

  it('leaves the last column free, at any width and for any numbers, and is full only at the end', () => {
    const numbers = fc.record({
      doneBytes: fc.integer({ min: 0, max: 2 ** 40 }),
      totalBytes: fc.integer({ min: 0, max: 2 ** 40 }),
      bytesPerSecond: fc.integer({ min: 0, max: 2 ** 33 }),
      secondsLeft: fc.option(fc.integer({ min: 0, max: 10 ** 7 })),
      phase: fc.constantFrom(...phases),
    });
    fc.assert(
      fc.property(numbers, fc.integer({ min: 20, max: 200 }), (over, width) => {
        const line = progressLine(progress(0, over), { ...plainSheet, width });
        expect(textWidth(line)).toBeLessThan(width);
        if (over.doneBytes < over.totalBytes) {
          expect(line).not.toContain('100 %');
          expect(line).not.toMatch(/━ +\d/);
        }
      }),
    );
  });
});

describe('progress in a terminal', () => {
  it('redraws one line, and keeps what a phase came to', () => {
    const [first, second, third] = play(true, [begin, progress(1.21e9), end]);
    expect(first).toBe(`${wipe}write     writing the image`);
    expect(second?.startsWith(wipe)).toBe(true);
    expect(second).toMatch(/Kwrite {5}━+─+ {2}64 % {2}1\.21 of 1\.87 GB/);
    expect(third).toBe(`${wipe}write     ended at 1.21 of 1.87 GB · mean 20.9 MB/s\n`);
  });

  it('leaves nothing of a phase that had no amount', () => {
    const claim = { type: 'phase', phase: 'claim' } as const;
    expect(
      play(true, [
        { ...claim, state: 'begin' },
        { ...claim, state: 'end' },
      ]),
    ).toEqual([`${wipe}claim     claiming the card`, wipe]);
  });

  it('goes on saying that it stalls until something moves', () => {
    const told = play(true, [begin, progress(1e9), stall, progress(1e9), progress(1.1e9)]);
    expect(told.map((text) => text.includes('no answer for 5 s'))).toEqual([false, false, true, true, false]);
  });

  it('says a stall before anything was done at all', () => {
    const [, text] = play(true, [begin, stall]);
    expect(text).toBe(
      `${wipe}write     the card has completed nothing for 5 s\n${wipe}write     writing the image`,
    );
  });

  it('puts what is said above the line that goes on', () => {
    const say: JobEvent = { type: 'say', topic: 'probe', text: '13 places read back\u001b[2J' };
    const [, , text] = play(true, [begin, progress(1.21e9), say]);
    expect(text?.startsWith(`${wipe}probe     13 places read back\\x1b[2J\n${wipe}write     ━`)).toBe(true);
  });

  it('wipes its line before others print, once', () => {
    const view = createProgressView({ ...plainSheet, isTerminal: true });
    expect(view.close()).toBe('');
    view.render(begin);
    expect(view.close()).toBe(wipe);
    expect(view.close()).toBe('');
  });
});

describe('progress in a log file', () => {
  it('is one line a phase and one every ten per cent, without a single control character', () => {
    const steps = Array.from({ length: 201 }, (_, step) => progress(Math.floor((imageBytes * step) / 200)));
    const note: JobEvent = {
      type: 'finding',
      finding: finding('job.padded-last-sector', 'note', { bytes: 100 }),
    };
    const told = play(false, [begin, ...steps.slice(0, 101), stall, ...steps.slice(100), note, end]).join('');
    expect(told.replaceAll('\n', '')).not.toMatch(/\p{Cc}/u);
    expect(`\n${told}`).toMatchInlineSnapshot(`
      "
      write     writing the image
      write     10 % · 0.19 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      write     20 % · 0.38 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      write     30 % · 0.57 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      write     40 % · 0.75 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      write     50 % · 0.93 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      write     the card has completed nothing for 5 s
      write     60 % · 1.13 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      write     70 % · 1.32 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      write     80 % · 1.50 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      write     90 % · 1.69 of 1.87 GB · 21.4 MB/s · about 31 s left · mean 20.9 MB/s
      note      The image ends inside a sector: 100 zero bytes were added to fill it.
      write     ended at 1.87 of 1.87 GB · mean 20.9 MB/s
      "
    `);
  });

  it('says the end of a phase that had no amount, too', () => {
    const seal = { type: 'phase', phase: 'seal' } as const;
    expect(
      play(false, [
        { ...seal, state: 'begin' },
        { ...seal, state: 'end' },
      ]).join(''),
    ).toBe('seal      writing the first sectors, the last thing to go on\nseal      ended\n');
  });

  it('has the same words with colour', () => {
    const events: JobEvent[] = [begin, stall, end];
    const view = createProgressView({ width: 80, ink: colourInk, isTerminal: false });
    // biome-ignore lint/suspicious/noControlCharactersInRegex: colour is taken off here
    const bare = events.map((event) => view.render(event).replace(/\u001b\[\d+m/g, ''));
    expect(bare).toEqual(play(false, events));
  });
});
