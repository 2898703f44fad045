import { basename } from 'node:path';
import {
  type BatchReport,
  lastSeenMs,
  type ReportNode,
  type ReportRecord,
  rateSteps,
} from '../../batch/report/report-facts.ts';
import { cardStateText } from '../../contract/card-state.ts';
import { describeFinding, type Finding } from '../../contract/finding.ts';
import type { Phase } from '../../contract/job.ts';
import { cardName, readerName } from '../screens/card-words.ts';
import { adviceOnFailure } from '../screens/damage-places.ts';
import { phaseLabels } from '../screens/phase-words.ts';
import { formatDay, formatDuration, formatMoment } from '../text/durations.ts';
import { formatExactBytes, formatRate, formatSize } from '../text/sizes.ts';
import { benchPicture } from './bench-picture.ts';
import { htmlDocument } from './document.ts';
import { type Html, html } from './html.ts';
import { type RateLine, ratePicture } from './rate-picture.ts';
import { reportStyle } from './report-style.ts';

export interface ReportPageOptions {
  timeZone?: string;
}

const marks: Record<ReportNode['result'], string> = {
  done: '✓ done',
  'done before': '✓ done before',
  'not done': '✗ not done',
  'no card': '– no card',
};

const outcomes: Record<BatchReport['batch']['state'], string> = {
  done: 'ended with every node done that it was to make',
  'not-all-done': 'ended before every node was done',
  cancelled: 'was cancelled',
  failed: 'ended with an error',
  running: 'still runs',
  interrupted: 'was cut off',
};

/** A batch as one page that loads and runs nothing: what became of each node, each card's rate, where the time went. */
export function reportPage(report: BatchReport, { timeZone }: ReportPageOptions = {}): string {
  const { batch, nodes, jobs, time } = report;
  const done = nodes.filter(({ result }) => result === 'done' || result === 'done before').length;
  const body = html`<main>
<h1>${batch.set}, batch ${batch.id}</h1>
<p class="lead"><strong>${done} of ${nodes.length} nodes are done.</strong> The batch ${outcomes[batch.state]}.</p>
<dl>
${fact('began', formatMoment(batch.begunAtMs, timeZone))}
${fact('took', `${formatDuration(time.wholeMs)}${batch.endedAtMs === null ? ', as far as it is known' : ''}`)}
${batch.image ? fact('image', `${basename(batch.image.path)}, ${formatSize(batch.image.sizeBytes)} on each card`) : null}
${fact('plan', batch.planPath)}
${fact('made by', `cardwright ${batch.toolVersion}`)}
</dl>
${nodesTable(report)}
<h2>At the bench</h2>
${jobs.length > 0 ? benchPicture(report) : html`<p>No card was begun.</p>`}
${timeTable(report)}
${jobs.length > 0 ? html`<h2>Card by card</h2>` : null}
${jobs.map((job) => cardSection(job, timeZone))}
</main>`;
  return htmlDocument(
    `${batch.set}, batch ${batch.id}, ${formatDay(batch.begunAtMs, null, timeZone)}`,
    reportStyle,
    body,
  );
}

const fact = (name: string, text: string) => html`<div><dt>${name}</dt><dd>${text}</dd></div>`;

function rateOf(job: ReportRecord, phase: Phase): string {
  const found = job.phases.find((one) => one.phase === phase);
  return found?.bytes && found.elapsedMs ? formatRate((found.bytes * 1000) / found.elapsedMs) : '';
}

function nodesTable({ nodes, jobs }: BatchReport): Html {
  const rows = nodes.map(({ name, slot, result, record }) => {
    const job = jobs.find(({ id }) => id === record);
    return html`<tr class="${result.replace(' ', '-')}"><th scope="row">${name}</th><td>${slot}</td><td>${marks[result]}</td>
<td>${job ? cardName(job.card) : null}</td><td>${job ? readerName(job.card) : null}</td>
<td class="number">${job ? formatDuration(lastSeenMs(job) - job.begunAtMs) : null}</td>
<td class="number">${job ? rateOf(job, 'write') : null}</td><td class="number">${job ? rateOf(job, 'verify') : null}</td>
<td class="number">${job ? html`<a href="#record-${job.id}">${job.id}</a>` : record}</td></tr>
`;
  });
  return html`<div class="wide"><table class="nodes">
<thead><tr><th>node</th><th>slot</th><th>result</th><th>card</th><th>reader</th><th class="number">time</th><th class="number">written at</th><th class="number">read back at</th><th class="number">record</th></tr></thead>
<tbody>
${rows}</tbody></table></div>`;
}

function timeTable({ time, batch }: BatchReport): Html {
  const { wholeMs, stagingMs, idleMs, phases } = time;
  const rows: [what: string, elapsedMs: number, rate: string][] = [
    ['image read through, once', stagingMs, rateText(batch.image?.sizeBytes ?? 0, stagingMs)],
    ...phases.map(({ phase, elapsedMs, bytes }): [string, number, string] => [
      `${phaseLabels[phase]}, all cards`,
      elapsedMs,
      rateText(bytes, elapsedMs),
    ]),
    ['no reader at work', idleMs, ''],
  ];
  const longest = Math.max(1, ...rows.map(([, elapsedMs]) => elapsedMs));
  return html`<h2>Where the time went</h2>
<div class="wide"><table class="time">
<tbody>
${rows.map(
  ([what, elapsedMs, rate]) =>
    html`<tr><th scope="row">${what}</th><td class="number">${formatDuration(elapsedMs)}</td><td class="number">${rate}</td><td class="share"><svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true"><rect width="${Math.round((elapsedMs / longest) * 1000) / 10}" height="10"/></svg></td></tr>
`,
)}</tbody></table></div>
<p class="small">The whole took ${formatDuration(wholeMs)}; with several readers the cards' times add up to more than that.</p>`;
}

const rateText = (bytes: number, elapsedMs: number) =>
  bytes > 0 && elapsedMs > 0 ? formatRate((bytes * 1000) / elapsedMs) : '';

function cardSection(job: ReportRecord, timeZone: string | undefined): Html {
  const lines = ratesOf(job);
  const isDone = job.state === 'done';
  const name = job.node ?? 'a card';
  return html`<section id="record-${job.id}">
<h3>${isDone ? '✓' : '✗'} ${name} <span>record ${job.id}</span></h3>
<p>${cardName(job.card)} · ${formatExactBytes(job.card.sizeBytes)} · reader ${readerName(job.card)} · ${formatMoment(job.begunAtMs, timeZone)}</p>
<p>${isDone ? 'Done' : 'Not done'}: ${job.cardState === null ? 'the job is still running' : cardStateText[job.cardState]}.${job.bytesReadBack ? ` ${formatExactBytes(job.bytesReadBack)} were read back.` : ''}${job.code ? ` Ended by ${job.code}.` : ''}</p>
${lines.length > 0 ? ratePicture(lines, `Rate over time of ${name}, record ${job.id}`) : html`<p class="small">No rates were kept.</p>`}
${findingsList(job.findings)}
</section>
`;
}

function ratesOf({ curve, phases, begunAtMs }: ReportRecord): RateLine[] {
  return (['write', 'verify'] as const).flatMap((name) => {
    const phaseCurve = curve.find(({ phase }) => phase === name);
    const phase = phases.find((one) => one.phase === name);
    if (!phaseCurve || !phase) return [];
    return [{ name, beganMs: phase.begunAtMs - begunAtMs, steps: rateSteps(phaseCurve) }];
  });
}

function findingsList(findings: readonly Finding[]): Html | null {
  if (findings.length === 0) return null;
  const advice = adviceOnFailure(findings);
  return html`<ul>
${[...new Set(findings.map(describeFinding))].map(
  (text) => html`<li>${text}</li>
`,
)}</ul>
${advice.map(
  (text) => html`<p class="advice">${text}</p>
`,
)}`;
}
