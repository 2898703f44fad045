import makeQrCode from 'qrcode-generator';
import { type Html, html } from './html.ts';

/** Clear modules that must stand around a code (ISO/IEC 18004, section 9.1). */
const quietModules = 4;

/**
 * A QR code (ISO/IEC 18004; error correction level M, 15 %) as one SVG path, with its quiet zone inside the square.
 *
 * @param text ASCII, as bytes
 * @param square in the units of the picture that it becomes part of
 */
export function qrSquare(text: string, square: { x: number; y: number; size: number }): Html {
  const code = makeQrCode(0, 'M');
  code.addData(text, 'Byte');
  code.make();
  const count = code.getModuleCount();
  const scale = square.size / (count + 2 * quietModules);
  const rows = Array.from({ length: count }, (_, row) =>
    rowRuns(count, (column) => code.isDark(row, column)),
  );
  const path = rows
    .flatMap((runs, row) => runs.map(({ from, length }) => `M${from} ${row}h${length}v1h-${length}z`))
    .join('');
  const inset = quietModules * scale;
  const place = `translate(${round(square.x + inset)} ${round(square.y + inset)}) scale(${round(scale)})`;
  return html`<path class="code" shape-rendering="crispEdges" transform="${place}" d="${path}"/>`;
}

/** Dark modules side by side as one rectangle: between two, a browser would leave a hair of white. */
function rowRuns(count: number, isDark: (column: number) => boolean): { from: number; length: number }[] {
  const runs: { from: number; length: number }[] = [];
  for (let column = 0; column < count; column++) {
    if (!isDark(column)) continue;
    const last = runs.at(-1);
    if (last && last.from + last.length === column) last.length++;
    else runs.push({ from: column, length: 1 });
  }
  return runs;
}

const round = (value: number) => Math.round(value * 10_000) / 10_000;
