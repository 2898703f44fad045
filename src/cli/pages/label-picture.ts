import { labelCode } from '../../batch/labels/label-code.ts';
import type { LabelFacts } from '../../batch/labels/label-facts.ts';
import { formatDay } from '../text/durations.ts';
import { type Face, fitText, type TextRoom, widthEm } from './fit-text.ts';
import { type Html, html } from './html.ts';
import type { LabelSizeName } from './paper.ts';
import { qrSquare } from './qr-square.ts';

/** Where things stand on a label. Millimetres from its upper left corner. */
interface Layout {
  name: TextRoom & { x: number; y: number };
  code: { x: number; y: number; size: number };
  /** the column of small print: it grows from its top downwards */
  column: { x: number; y: number; widthMm: number; heightMm: number };
  slotMm: number;
  addressMm: number;
  smallMm: number;
  leastMm: number;
}

const layouts: Record<LabelSizeName, Layout> = {
  case: {
    name: { x: 3, y: 2.6, widthMm: 41, largestMm: 5.4, leastMm: 3.4, mostLines: 2, isWhole: true },
    code: { x: 0.8, y: 11.2, size: 23.6 },
    column: { x: 25, y: 12.2, widthMm: 19.2, heightMm: 21.6 },
    slotMm: 6.2,
    addressMm: 3.1,
    smallMm: 2.3,
    leastMm: 1.9,
  },
  module: {
    name: { x: 17.4, y: 1.5, widthMm: 18.6, largestMm: 3, leastMm: 2.2, mostLines: 3, isWhole: true },
    code: { x: 0.6, y: 1.3, size: 16.4 },
    column: { x: 17.4, y: 6, widthMm: 18.6, heightMm: 11.6 },
    slotMm: 3.6,
    addressMm: 2.4,
    smallMm: 1.9,
    leastMm: 1.6,
  },
};

/** Line height, and how far below a line's top its letters stand. */
const lineEm = 1.22;
const riseEm = 0.86;

export interface LabelOptions {
  size: LabelSizeName;
  timeZone?: string;
}

interface Block {
  lines: string[];
  sizeMm: number;
  face: Face;
  className: string;
}

/** What a block takes, with the room kept free below it. */
const heightMm = ({ lines, sizeMm, className }: Block) =>
  lines.length * sizeMm * lineEm + (className === 'small' ? 0 : 0.16 * sizeMm);

/** One label as a group of an SVG picture, its upper left corner at 0, 0. Units are millimetres. */
export function labelPicture(facts: LabelFacts, options: LabelOptions): Html {
  const layout = layouts[options.size];
  const name = fitText(facts.node, 'mono', layout.name);
  const blocks = columnBlocks(facts, layout, options);
  const wanted = blocks.reduce((sum, block) => sum + heightMm(block), 0);
  const nameEndMm = layout.name.y + name.lines.length * name.sizeMm * lineEm;
  const isBeside = layout.column.x === layout.name.x;
  const top = isBeside ? Math.max(layout.column.y, nameEndMm + 0.4) : layout.column.y;
  const room = layout.column.y + layout.column.heightMm - top;
  // Whatever happens, nothing is printed onto the next label.
  const shrink = Math.min(1, room / wanted);
  return html`${drawBlock({ ...name, face: 'mono', className: 'name' }, layout.name.x, layout.name.y, layout.name.widthMm)}
${isBeside ? null : html`<path class="rule" d="M3 10.7h41"/>`}
${qrSquare(labelCode(facts), layout.code)}
${drawColumn(blocks, layout.column.x, top, layout.column.widthMm, shrink)}`;
}

function columnBlocks(facts: LabelFacts, layout: Layout, { size, timeZone }: LabelOptions): Block[] {
  const { widthMm } = layout.column;
  const { leastMm, smallMm } = layout;
  const { made } = facts;
  const small = (text: string): Block => ({
    ...fitText(text, 'sans', { widthMm, largestMm: smallMm, leastMm, mostLines: 1, isWhole: false }),
    face: 'sans',
    className: 'small',
  });
  const slot = { widthMm, largestMm: layout.slotMm, leastMm, mostLines: 2, isWhole: false };
  const address = {
    widthMm,
    largestMm: layout.addressMm,
    leastMm,
    mostLines: size === 'case' ? 3 : 2,
    isWhole: true,
  };
  return [
    ...(facts.slot === null
      ? []
      : [{ ...fitText(facts.slot, 'sans', slot), face: 'sans' as const, className: 'slot' }]),
    { ...fitText(facts.address ?? 'DHCP', 'mono', address), face: 'mono', className: 'address' },
    small(facts.set),
    ...(made
      ? [small(`record ${made.recordId}`), small(formatDay(made.atMs, null, timeZone))]
      : [small('not made yet')]),
  ];
}

function drawColumn(
  blocks: readonly Block[],
  x: number,
  topMm: number,
  widthMm: number,
  shrink: number,
): Html[] {
  let y = topMm;
  return blocks.map((block) => {
    const sized = { ...block, sizeMm: block.sizeMm * shrink };
    const drawn = drawBlock(sized, x, y, widthMm);
    y += heightMm(sized);
    return drawn;
  });
}

function drawBlock({ lines, sizeMm, face, className }: Block, x: number, y: number, roomMm: number): Html {
  return html`${lines.map((line, at) => {
    const widthMm = widthEm(line, face) * sizeMm;
    // A font that runs wider than we reckon is squeezed rather than let out of the label.
    const squeeze = face === 'mono' || widthMm > 0.95 * roomMm ? Math.min(widthMm, roomMm) : null;
    const length =
      squeeze === null ? null : html` textLength="${mm(squeeze)}" lengthAdjust="spacingAndGlyphs"`;
    const baseline = y + (at * lineEm + riseEm) * sizeMm;
    return html`<text class="${className}" x="${mm(x)}" y="${mm(baseline)}" font-size="${mm(sizeMm)}"${length}>${line}</text>
`;
  })}`;
}

const mm = (value: number) => Math.round(value * 1000) / 1000;
