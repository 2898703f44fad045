import { ticks } from 'd3-array';
import type { RateStep } from '../../batch/report/report-facts.ts';
import { formatDuration } from '../text/durations.ts';
import { formatSize } from '../text/sizes.ts';
import { type Html, html } from './html.ts';
import { timeTicks } from './time-ticks.ts';

/** One phase's rates, and when it began in the job. */
export interface RateLine {
  name: 'write' | 'verify';
  beganMs: number;
  steps: readonly RateStep[];
}

const wide = 480;
const high = 190;
const edge = { left: 80, right: 12, top: 22, bottom: 28 };
const round = (value: number) => Math.round(value * 10) / 10;

/** A card's rate over the time of its job: written in a full line, verified in a dashed one, each named beside it. */
export function ratePicture(lines: readonly RateLine[], title: string): Html {
  const lengthMs = Math.max(
    1,
    ...lines.flatMap(({ beganMs, steps }) => steps.map(({ toMs }) => beganMs + toMs)),
  );
  const fastest = Math.max(1, ...lines.flatMap(({ steps }) => steps.map((step) => step.bytesPerSecond)));
  const rates = ticks(0, fastest, 4);
  const top = Math.max(fastest, rates.at(-1) ?? fastest);
  const x = (ms: number) => round(edge.left + (ms / lengthMs) * (wide - edge.left - edge.right));
  const y = (rate: number) => round(high - edge.bottom - (rate / top) * (high - edge.top - edge.bottom));
  const times = timeTicks(lengthMs, 5);
  return html`<svg class="rates" viewBox="0 0 ${wide} ${high}" role="img" aria-label="${title}">
<g class="grid">${rates.map((rate) => html`<path d="M${edge.left} ${y(rate)}H${wide - edge.right}"/><text x="${edge.left - 6}" y="${y(rate) + 4}" text-anchor="end">${rate === 0 ? '0' : `${formatSize(rate)}/s`}</text>`)}
${times.map((at) => html`<text x="${x(at)}" y="${high - 8}" text-anchor="middle">${at === 0 ? 'begin' : formatDuration(at)}</text>`)}</g>
${lines.map((line) => drawLine(line, x, y))}</svg>
`;
}

function drawLine(
  { name, beganMs, steps }: RateLine,
  x: (ms: number) => number,
  y: (rate: number) => number,
): Html {
  const [first] = steps;
  if (!first) return html``;
  const path = steps
    .map(({ fromMs, toMs, bytesPerSecond }, at) => {
      const level = y(bytesPerSecond);
      return `${at === 0 ? 'M' : 'L'}${x(beganMs + fromMs)} ${level}H${x(beganMs + toMs)}`;
    })
    .join('');
  return html`<path class="${name}" d="${path}"/><text class="${name}" x="${x(beganMs + first.fromMs) + 3}" y="${edge.top - 8}">${name}</text>
`;
}
