import type { JobEvent } from '../../contract/events.ts';
import type { Phase } from '../../contract/job.ts';
import { formatDuration } from '../text/durations.ts';
import { entry, type Sheet } from '../text/sheet.ts';
import { formatRate, formatShare, percentOf } from '../text/sizes.ts';
import { findingLines } from './finding-lines.ts';
import { phaseLabels, phaseWork } from './phase-words.ts';
import { type ProgressEvent, progressLine, progressPhrases } from './progress-line.ts';

export interface ProgressOptions extends Sheet {
  isTerminal: boolean;
}

/** Turns events into text to be put out as it stands, line ends included; an empty text when there is nothing to say. */
export interface ProgressView {
  render(event: JobEvent): string;
  /** wipes the line that is being redrawn; call it before anything else is printed, and at the end */
  close(): string;
}

const wipe = '\r\u001b[K';

/** In a terminal one line is redrawn in place; elsewhere there is a plain line a phase, and one every 10 per cent. */
export function createProgressView(options: ProgressOptions): ProgressView {
  return options.isTerminal ? createTerminalView(options) : createLogView(options);
}

/** What both views remember: the running phase, its last amount, and whether it stalls. */
function createTrack() {
  let phase: Phase | null = null;
  let last: ProgressEvent | null = null;
  let stalled: { seconds: number; doneBytes: number } | null = null;
  return {
    turn: (event: Extract<JobEvent, { type: 'phase' }>) => {
      phase = event.state === 'begin' ? event.phase : null;
      last = null;
      stalled = null;
    },
    note: (event: ProgressEvent) => {
      if (stalled?.doneBytes !== event.doneBytes) stalled = null;
      last = event;
    },
    stall: (seconds: number) => {
      stalled = { seconds, doneBytes: last?.doneBytes ?? 0 };
    },
    phase: () => phase,
    last: () => last,
    stalledSeconds: () => stalled?.seconds ?? null,
  };
}

function createTerminalView(sheet: Sheet): ProgressView {
  const track = createTrack();
  let isDrawn = false;

  const close = () => {
    const text = isDrawn ? wipe : '';
    isDrawn = false;
    return text;
  };
  const keep = (lines: readonly string[]) => close() + asText(lines);
  // One column is left free: a terminal may wrap as soon as its last one is filled.
  const narrow = { ...sheet, width: sheet.width - 1 };
  const redraw = () => {
    const phase = track.phase();
    const event = track.last();
    if (phase === null) return '';
    isDrawn = true;
    return (
      wipe +
      (event === null
        ? firstOf(workLines(phase, narrow))
        : progressLine(event, sheet, track.stalledSeconds()))
    );
  };

  return {
    close,
    render(event) {
      switch (event.type) {
        case 'phase': {
          const last = track.last();
          track.turn(event);
          if (event.state === 'begin') return redraw();
          return keep(last?.phase === event.phase ? endLines(last, sheet) : []);
        }
        case 'progress':
          track.note(event);
          return redraw();
        case 'stall':
          track.stall(event.seconds);
          return track.last() === null ? keep(stallLines(event, sheet)) + redraw() : redraw();
        default:
          return keep(saidLines(event, sheet)) + redraw();
      }
    },
  };
}

function createLogView(sheet: Sheet): ProgressView {
  const track = createTrack();
  let tenthsTold = 0;

  return {
    close: () => '',
    render(event) {
      switch (event.type) {
        case 'phase': {
          const last = track.last();
          track.turn(event);
          tenthsTold = 0;
          if (event.state === 'begin') return asText(workLines(event.phase, sheet));
          return asText(last?.phase === event.phase ? endLines(last, sheet) : plainEnd(event.phase, sheet));
        }
        case 'progress': {
          track.note(event);
          const percent = percentOf(event.doneBytes, event.totalBytes);
          const tenths = Math.floor(percent / 10);
          // The end of the phase says how far it came; ten tenths would say it twice.
          if (tenths <= tenthsTold || tenths === 10) return '';
          tenthsTold = tenths;
          const said = progressPhrases(event, track.stalledSeconds());
          return asText(entry(sheet, phaseLabels[event.phase], [`${percent} %`, ...said]));
        }
        case 'stall':
          track.stall(event.seconds);
          return asText(stallLines(event, sheet));
        default:
          return asText(saidLines(event, sheet));
      }
    },
  };
}

function workLines(phase: Phase, sheet: Sheet): string[] {
  return entry(sheet, phaseLabels[phase], phaseWork[phase]);
}

/** Says what was moved, never that it was right: only the end of the whole job says "done". */
function endLines(
  { phase, doneBytes, totalBytes, meanBytesPerSecond }: ProgressEvent,
  sheet: Sheet,
): string[] {
  const mean = `mean ${formatRate(meanBytesPerSecond)}`;
  return entry(sheet, phaseLabels[phase], [`ended at ${formatShare(doneBytes, totalBytes)}`, mean]);
}

function plainEnd(phase: Phase, sheet: Sheet): string[] {
  return entry(sheet, phaseLabels[phase], 'ended');
}

function stallLines(event: Extract<JobEvent, { type: 'stall' }>, sheet: Sheet): string[] {
  const still = `the card has completed nothing for ${formatDuration(event.seconds * 1000)}`;
  return entry(sheet, phaseLabels[event.phase], still, { tone: 'care' });
}

function saidLines(event: Extract<JobEvent, { type: 'finding' | 'say' }>, sheet: Sheet): string[] {
  if (event.type === 'say') return entry(sheet, event.topic, event.text);
  return findingLines(sheet, [event.finding]);
}

function firstOf(lines: readonly string[]): string {
  return lines[0] ?? '';
}

function asText(lines: readonly string[]): string {
  return lines.map((line) => `${line}\n`).join('');
}
