import type { BenchEvent, BenchRow } from '../../batch/bench/bench-events.ts';
import { cardStateText } from '../../contract/card-state.ts';
import { describeFinding } from '../../contract/finding.ts';
import type { Phase } from '../../contract/job.ts';
import { formatDuration, formatEstimate } from '../text/durations.ts';
import { errorFields, findingFields } from '../text/json-lines.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatRate, formatSize, percentOf } from '../text/sizes.ts';
import { cutToWidth } from '../text/text-width.ts';
import { adviceOn, findingLines } from './finding-lines.ts';
import { phaseLabels, phaseWork } from './phase-words.ts';

const placeOf = ({ node, slot }: { node: string; slot: string | null }) =>
  slot === null ? node : `${node}, slot ${slot}`;

/** The phases that take their time: a log gets a line for each. */
const told: readonly Phase[] = ['write', 'verify'];

/** One event in words, for a terminal or a log. What moves in a terminal's status line is not said twice. */
export function benchLines(event: BenchEvent, sheet: Sheet, isTerminal: boolean): string[] {
  switch (event.type) {
    case 'next':
      return entry(sheet, 'next', `${placeOf(event)}: put a card into any free reader`, { tone: 'strong' });
    case 'card-seen': {
      const target =
        event.node === undefined ? null : placeOf({ node: event.node, slot: event.slot ?? null });
      return [
        ...entries(sheet, 'seen', event.says.map(describeFinding), { tone: 'care' }),
        ...entries(sheet, '', adviceOn(event.says.slice(0, 1), ['note'])),
        ...entry(sheet, '', target === null ? [] : `it would become ${target}`),
      ];
    }
    case 'job-begun':
      return entry(sheet, 'begun', [`${placeOf(event)} in ${event.reader}`, `record ${event.record}`]);
    case 'job':
      return jobLines(event, sheet, isTerminal);
    case 'card-done':
      return doneLines(event, sheet);
    case 'card-not-done':
      return notDoneLines(event, sheet);
    case 'taken-out':
      return entry(sheet, 'out', `${event.reader}: the card was taken out`);
  }
}

function jobLines(
  { event, node, reader }: Extract<BenchEvent, { type: 'job' }>,
  sheet: Sheet,
  isTerminal: boolean,
): string[] {
  const where = `${node} in ${reader}`;
  switch (event.type) {
    case 'phase':
      if (isTerminal || event.state === 'end' || !told.includes(event.phase)) return [];
      return entry(sheet, phaseLabels[event.phase], [where, phaseWork[event.phase]]);
    case 'finding':
      return [...entry(sheet, 'found', where), ...findingLines(sheet, [event.finding])];
    case 'stall': {
      const still = `has completed nothing for ${formatDuration(event.seconds * 1000)}`;
      return isTerminal ? [] : entry(sheet, phaseLabels[event.phase], [where, still], { tone: 'care' });
    }
    case 'say':
      return entry(sheet, event.topic, [where, event.text]);
    case 'progress':
      return [];
  }
}

function doneLines(event: Extract<BenchEvent, { type: 'card-done' }>, sheet: Sheet): string[] {
  const { row, release, reader } = event;
  const rate = row.bytesPerSecond === null ? null : `written at ${formatRate(row.bytesPerSecond)}`;
  const out = release === 'ejected' ? 'safe to remove: take it out' : 'take it out now';
  return [
    ...entry(sheet, 'done', [placeOf(event), `record ${row.record}`, formatDuration(row.elapsedMs), rate], {
      tone: 'good',
    }),
    ...entry(sheet, 'change', `${reader}: ${out}, label it ${placeOf(event)}`, { tone: 'strong' }),
  ];
}

function notDoneLines(event: Extract<BenchEvent, { type: 'card-not-done' }>, sheet: Sheet): string[] {
  const { error, row, reader } = event;
  const record = row === null ? 'nothing was written' : `record ${row.record}`;
  const refusals = error.findings.filter(({ severity }) => severity === 'refuse' || severity === 'fail');
  return [
    ...entry(sheet, 'not done', [`${placeOf(event)} in ${reader}`, record], { tone: 'bad' }),
    ...entries(sheet, 'what', [error.message, ...new Set(refusals.map(describeFinding))]),
    ...entry(sheet, 'now', error.card === null ? [] : cardStateText[error.card]),
    ...entry(sheet, 'change', [`${reader}: take it out`, error.next], { tone: 'strong' }),
  ];
}

/** The JSON twin: every finding with its words, an error as everywhere else. */
export function benchFields(event: BenchEvent): object {
  switch (event.type) {
    case 'card-seen':
      return { ...event, says: event.says.map(findingFields) };
    case 'card-not-done':
      return { ...event, error: errorFields(event.error) };
    case 'job':
      return event.event.type === 'finding'
        ? { ...event, event: { type: 'finding', finding: findingFields(event.event.finding) } }
        : event;
    default:
      return event;
  }
}

/** Whether somebody should come to the bench. */
export function rings({ type }: BenchEvent): boolean {
  return type === 'card-done' || type === 'card-not-done';
}

interface Moving {
  node: string;
  phase: Phase | null;
  said: string;
}

/** What all readers do now, in one line that is redrawn. */
export function createBenchStatus(sheet: Sheet): { take(event: BenchEvent): void; line(): string | null } {
  const moving = new Map<string, Moving>();
  return {
    take(event) {
      if (event.type === 'job-begun') moving.set(event.reader, { node: event.node, phase: null, said: '' });
      if (event.type === 'card-done' || event.type === 'card-not-done') moving.delete(event.reader);
      const one = event.type === 'job' ? moving.get(event.reader) : undefined;
      if (event.type !== 'job' || !one) return;
      const { event: job } = event;
      if (job.type === 'phase') Object.assign(one, { phase: job.phase, said: '' });
      if (job.type === 'stall') one.said = `no answer for ${formatDuration(job.seconds * 1000)}`;
      if (job.type !== 'progress') return;
      const left = job.secondsLeft === null ? '' : `, ${formatEstimate(job.secondsLeft)} left`;
      const percent = percentOf(job.doneBytes, job.totalBytes);
      one.said = `${percent} % at ${formatRate(job.bytesPerSecond)}${left}`;
    },
    line() {
      const parts = [...moving.values()].map(({ node, phase, said }) =>
        [node, phase === null ? '' : phaseLabels[phase], said].filter((part) => part !== '').join(' '),
      );
      return parts.length === 0 ? null : cutToWidth(parts.join(' · '), sheet.width - 1);
    },
  };
}

/** How a card is named in the summary: by its reader and size. */
export function cardCell({ reader, cardBytes }: BenchRow): string {
  return `${reader}, ${formatSize(cardBytes)}`;
}
