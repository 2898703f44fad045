import { type BatchReport, lastSeenMs } from '../../batch/report/report-facts.ts';
import { readerName } from '../screens/card-words.ts';
import { formatDuration } from '../text/durations.ts';
import { type Html, html } from './html.ts';
import { timeTicks } from './time-ticks.ts';

const wide = 480;
const rowHigh = 34;
const edge = { left: 90, right: 12, top: 8, bottom: 26 };
const round = (value: number) => Math.round(value * 10) / 10;

/** The hour at the bench: a row a reader, a bar a card, with the node's name or the record's number; in the gaps cards were changed. */
export function benchPicture({ batch, jobs, time }: BatchReport): Html {
  const readers = [...new Set(jobs.map(({ card }) => readerName(card)))];
  const rows = ['image', ...readers];
  const high = edge.top + rows.length * rowHigh + edge.bottom;
  const wholeMs = Math.max(1, time.wholeMs);
  const x = (ms: number) => round(edge.left + (ms / wholeMs) * (wide - edge.left - edge.right));
  const y = (row: string) => edge.top + rows.indexOf(row) * rowHigh;
  const bar = (row: string, fromMs: number, toMs: number, kind: string, names: readonly string[]) => {
    const width = round(x(toMs) - x(fromMs));
    const said = names.find((name) => width > 8 * name.length + 4) ?? '';
    return html`<rect class="${kind}" x="${x(fromMs)}" y="${y(row) + 5}" width="${Math.max(1.5, width)}" height="${rowHigh - 10}" rx="2"><title>${names[0] ?? ''}</title></rect>
<text class="on" x="${x(fromMs) + 5}" y="${y(row) + rowHigh / 2 + 4}">${said}</text>`;
  };
  return html`<svg class="bench" viewBox="0 0 ${wide} ${high}" role="img" aria-label="What each reader was at, over the time of the batch">
<g class="grid">${timeTicks(wholeMs, 5).map(
    (at) =>
      html`<path d="M${x(at)} ${edge.top}V${high - edge.bottom}"/><text x="${x(at)}" y="${high - 8}" text-anchor="middle">${at === 0 ? 'begin' : formatDuration(at)}</text>`,
  )}
${rows.map((row) => html`<text x="${edge.left - 8}" y="${y(row) + rowHigh / 2 + 4}" text-anchor="end">${row}</text>`)}</g>
${time.stagingMs > 0 ? bar('image', 0, time.stagingMs, 'image', ['read through']) : null}
${jobs.map((job) => {
  const from = job.begunAtMs - batch.begunAtMs;
  const isDone = job.state === 'done';
  const mark = isDone ? '✓' : '✗';
  const names = [`${mark} ${job.node ?? 'a card'}`, `${mark} ${job.id}`, mark];
  return bar(
    readerName(job.card),
    from,
    lastSeenMs(job) - batch.begunAtMs,
    isDone ? 'done' : 'failed',
    names,
  );
})}</svg>
`;
}
