import { escapeText } from '../../contract/escape-text.ts';
import type { Tone } from './ink.ts';
import { entry, type Sheet } from './sheet.ts';
import { cutToWidth, padToWidth, textWidth } from './text-width.ts';

export interface Column {
  head: string;
  align?: 'left' | 'right';
}

export type Cell = string | { text: string; tone: Tone };

export interface Row {
  cells: readonly Cell[];
  /** finished lines that stand below the row */
  details?: readonly string[];
}

const gap = 2;
const leastColumns = 4;

/**
 * A table that never wraps: where it would be wider than the sheet, its widest columns are cut with "…" and what was
 * cut stands whole on a line below the row. Cells are plain text and are escaped here.
 */
export function table(sheet: Sheet, columns: readonly Column[], rows: readonly Row[]): string[] {
  const texts = rows.map((row) => columns.map((_, at) => plainText(row.cells[at] ?? '')));
  const natural = columns.map((column, at) =>
    Math.max(textWidth(column.head), ...texts.map((cells) => textWidth(cells[at] ?? ''))),
  );
  const widths = fitWidths(natural, sheet.width - gap * (columns.length - 1));

  const line = (cells: readonly string[], tones: readonly (Tone | null)[]) =>
    columns
      .map((column, at) => {
        const width = widths[at] ?? 0;
        const shown = cutToWidth(cells[at] ?? '', width);
        const tone = tones[at];
        const inked = tone ? sheet.ink(tone, shown) : shown;
        return padToWidth(inked, width, column.align === 'right' ? 'left' : 'right');
      })
      .join(' '.repeat(gap))
      .trimEnd();

  const head = line(
    columns.map((column) => column.head),
    columns.map(() => 'faint'),
  );
  const body = rows.flatMap((row, r) => {
    const cells = texts[r] ?? [];
    const cut = cells.flatMap((text, at) =>
      textWidth(text) > (widths[at] ?? 0) ? entry(sheet, columns[at]?.head ?? '', text, { indent: 4 }) : [],
    );
    const tones = columns.map((_, at) => toneOf(row.cells[at]));
    return [line(cells, tones), ...cut, ...(row.details ?? [])];
  });
  return [head, ...body];
}

/** Takes columns away from the widest, one at a time, until all fit. */
function fitWidths(natural: readonly number[], room: number): number[] {
  const widths = [...natural];
  let excess = widths.reduce((sum, width) => sum + width, 0) - room;
  while (excess > 0) {
    const widest = Math.max(...widths);
    if (widest <= leastColumns) break;
    widths[widths.indexOf(widest)] = widest - 1;
    excess--;
  }
  return widths;
}

function plainText(cell: Cell): string {
  return escapeText(typeof cell === 'string' ? cell : cell.text, 1000);
}

function toneOf(cell: Cell | undefined): Tone | null {
  return typeof cell === 'object' ? cell.tone : null;
}
