/** Text broken and sized so that it fits its room whatever font a browser takes. All lengths in millimetres. */
export interface FittedText {
  lines: string[];
  sizeMm: number;
}

export interface TextRoom {
  widthMm: number;
  /** the size that is taken where there is room for it */
  largestMm: number;
  /** below this the text is broken into more lines, as long as it may */
  leastMm: number;
  mostLines: number;
  /** must it be whole, be it as small as it may? Otherwise it is cut with "…" at the least size */
  isWhole: boolean;
}

/** Widths in em, rounded up: monospace fonts have 0.60; Latin letters and figures of the usual sans serifs. */
const monospaceEm = 0.61;
const isLatin = (sign: string) => /[\u0020-\u024f]/.test(sign);
function sansEm(sign: string): number {
  if (/[MW@mw%]/.test(sign)) return 0.95;
  if (/[A-Z]/.test(sign)) return 0.75;
  return (sign.codePointAt(0) ?? 0) ? (/[\u0020-\u024f]/.test(sign) ? 0.6 : 1.1) : 0;
}

export type Face = 'mono' | 'sans';

/** An upper bound of a line's width at a size of 1. */
export function widthEm(line: string, face: Face): number {
  return [...line].reduce(
    (sum, sign) => sum + (face === 'sans' ? sansEm(sign) : isLatin(sign) ? monospaceEm : 1.2),
    0,
  );
}

/** As few lines as the least size allows. */
export function fitText(text: string, face: Face, room: TextRoom): FittedText {
  for (let count = 1; ; count++) {
    const lines = breakEvenly(text, count);
    const widest = Math.max(...lines.map((line) => widthEm(line, face)), 0.01);
    const sizeMm = Math.min(room.largestMm, room.widthMm / widest);
    if (sizeMm >= room.leastMm || (count >= room.mostLines && room.isWhole)) return { lines, sizeMm };
    if (count >= room.mostLines) return fitText(shorten(text, face, room), face, { ...room, isWhole: true });
  }
}

/** As much of the text's beginning as has room at the least size. */
function shorten(text: string, face: Face, { widthMm, leastMm, mostLines }: TextRoom): string {
  // Some room is kept free, since lines break where words end.
  const roomEm = (0.85 * widthMm * mostLines) / leastMm;
  const signs = [...text];
  while (signs.length > 1 && widthEm(`${signs.join('')}…`, face) > roomEm) signs.pop();
  return `${signs.join('').trim()}…`;
}

/** Lines of about equal length, broken behind a hyphen, colon, dot or space where one is near. */
function breakEvenly(text: string, count: number): string[] {
  const signs = [...text];
  const lines: string[] = [];
  for (let left = count; left > 1 && signs.length > left; left--) {
    const target = Math.ceil(signs.length / left);
    const slack = Math.floor(target / 3);
    const near = Array.from(
      { length: 2 * slack + 1 },
      (_, at) => target + (at % 2 ? 1 : -1) * Math.ceil(at / 2),
    );
    const at = near.find((one) => /[-:. ]/.test(signs[one - 1] ?? '')) ?? target;
    lines.push(signs.splice(0, at).join('').trim());
  }
  return [...lines, signs.join('').trim()];
}
