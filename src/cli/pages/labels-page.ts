import type { LabelFacts } from '../../batch/labels/label-facts.ts';
import { formatDay } from '../text/durations.ts';
import { htmlDocument } from './document.ts';
import { type Html, html } from './html.ts';
import { labelPicture } from './label-picture.ts';
import { type Grid, gridOn, type LabelSizeName, labelSizes, type PaperName, papers } from './paper.ts';

export interface LabelsPageOptions {
  set: string;
  paper: PaperName;
  size: LabelSizeName;
  /** when it was made, milliseconds since 1970 */
  nowMs: number;
  timeZone?: string;
}

const style = (css: string) => `
@page { size: ${css} portrait; margin: 0 }
:root { --accent: #14532d; color-scheme: light }
body { margin: 0; background: #e7e5e0; font-family: system-ui, "DejaVu Sans", "Liberation Sans", Arial, sans-serif }
.hint { max-width: 40rem; margin: 0 auto; padding: 1.5rem 1rem 0; color: #333; line-height: 1.45 }
svg { display: block; margin: 1.5rem auto; background: #fff; box-shadow: 0 1px 6px #0003; max-width: calc(100% - 1rem); height: auto }
text { fill: #000 }
.name, .address { font-family: "DejaVu Sans Mono", "Liberation Mono", Menlo, Consolas, monospace }
.name, .slot { font-weight: 700 }
.slot { fill: var(--accent) }
.small { fill: #222 }
.code { fill: #000 }
.rule { stroke: var(--accent); stroke-width: .5; fill: none }
.cut { stroke: #000; stroke-width: .15; fill: none }
.foot { font-size: 2.6px; fill: #444 }
@media print {
  body { background: none }
  .hint { display: none }
  svg { margin: 0; box-shadow: none; max-width: none; break-after: page; print-color-adjust: exact; -webkit-print-color-adjust: exact }
  svg:last-of-type { break-after: auto }
}
`;

/** Sheets of labels with cut marks: SVG pictures in one self-contained page, a sheet of paper each, to be printed at full size. */
export function labelsPage(labels: readonly LabelFacts[], options: LabelsPageOptions): string {
  const paper = papers[options.paper];
  const grid = gridOn(paper, labelSizes[options.size]);
  const perSheet = grid.columns * grid.rows;
  const sheets = Math.max(1, Math.ceil(labels.length / perSheet));
  const pictures = Array.from({ length: sheets }, (_, at) =>
    sheetPicture(
      labels.slice(at * perSheet, (at + 1) * perSheet),
      grid,
      `sheet ${at + 1} of ${sheets}`,
      options,
    ),
  );
  const body = html`<p class="hint">Print at 100 %, without fitting to the page, then cut along the marks. The line at the foot of each
sheet is 50 mm long when the size is right.</p>
${pictures}`;
  return htmlDocument(`Labels of ${options.set}`, style(paper.css), body);
}

function sheetPicture(
  labels: readonly LabelFacts[],
  grid: Grid,
  sheet: string,
  { set, paper, size, nowMs, timeZone }: LabelsPageOptions,
): Html {
  const { widthMm, heightMm } = papers[paper];
  const label = labelSizes[size];
  const rows = Math.max(1, Math.ceil(labels.length / grid.columns));
  const columns = Math.min(grid.columns, Math.max(1, labels.length));
  const zone = timeZone === undefined ? {} : { timeZone };
  const placed = labels.map((facts, at) => {
    const x = grid.leftMm + (at % grid.columns) * label.widthMm;
    const y = grid.topMm + Math.floor(at / grid.columns) * label.heightMm;
    return html`<g class="label" transform="translate(${round(x)} ${round(y)})">
${labelPicture(facts, { size, ...zone })}
</g>
`;
  });
  const day = formatDay(nowMs, null, timeZone);
  const footMm = heightMm - 11;
  return html`<svg xmlns="http://www.w3.org/2000/svg" width="${widthMm}mm" height="${heightMm}mm" viewBox="0 0 ${widthMm} ${heightMm}" role="img" aria-label="Labels, ${sheet}">
<path class="cut" d="${cutMarks({ ...grid, columns, rows }, label)}"/>
${placed}<text class="foot" x="${round(grid.leftMm)}" y="${footMm}">${set} · labels for a ${size === 'case' ? "card's case" : 'module'} · ${sheet} · ${day}</text>
<path class="cut" d="M${round(widthMm - grid.leftMm - 50)} ${footMm - 1.6}v1.6h50v-1.6"/>
<text class="foot" x="${round(widthMm - grid.leftMm - 25)}" y="${footMm - 0.8}" text-anchor="middle">50 mm</text>
</svg>
`;
}

const markMm = 4;
const markGapMm = 1;
const crossMm = 1.2;

/** Short lines around the labels in the direction of each cut, and a small cross wherever two cuts meet. */
function cutMarks(
  { columns, rows, leftMm, topMm }: Grid,
  label: { widthMm: number; heightMm: number },
): string {
  const xs = Array.from({ length: columns + 1 }, (_, at) => round(leftMm + at * label.widthMm));
  const ys = Array.from({ length: rows + 1 }, (_, at) => round(topMm + at * label.heightMm));
  const rightMm = round(leftMm + columns * label.widthMm);
  const bottomMm = round(topMm + rows * label.heightMm);
  const out = markGapMm + markMm;
  return [
    ...xs.map((x) => `M${x} ${round(topMm - out)}v${markMm}M${x} ${round(bottomMm + markGapMm)}v${markMm}`),
    ...ys.map((y) => `M${round(leftMm - out)} ${y}h${markMm}M${round(rightMm + markGapMm)} ${y}h${markMm}`),
    ...xs.flatMap((x) =>
      ys.map((y) => `M${round(x - crossMm)} ${y}h${2 * crossMm}M${x} ${round(y - crossMm)}v${2 * crossMm}`),
    ),
  ].join('');
}

const round = (value: number) => Math.round(value * 1000) / 1000;
