import { textWidth } from '../text/text-width.ts';

/** Some lines that are drawn anew in place, at the end of a terminal. */
export interface LiveBlock {
  /** the text that puts these lines where the former ones stood */
  draw(lines: readonly string[]): string;
  /** the text that wipes them */
  wipe(): string;
}

const csi = '\u001b[';

/** @param rows of the terminal: more lines than these could not be reached again */
export function createLiveBlock({ rows, columns }: { rows: number; columns: number }): LiveBlock {
  let drawn = 0;
  const wipe = () => {
    // Up to the first line, then all from there on (ECMA-48: CUU, ED).
    const text = drawn === 0 ? '' : `\r${csi}${drawn}A${csi}J`;
    drawn = 0;
    return text;
  };
  return {
    wipe,
    draw(lines) {
      const most = Math.max(1, rows - 2);
      const shown = lines.length > most ? [...lines.slice(0, most - 1), '…'] : lines;
      const text = wipe() + shown.map((line) => `${line}\n`).join('');
      // A line that is wider than the terminal stands on several of its rows.
      drawn = shown.reduce((sum, line) => sum + Math.max(1, Math.ceil(textWidth(line) / columns)), 0);
      return text;
    },
  };
}
