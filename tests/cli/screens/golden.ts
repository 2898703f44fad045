import { expect } from 'vitest';
import { colourInk } from '../../../src/cli/text/ink.ts';
import { plainSheet, type Sheet } from '../../../src/cli/text/sheet.ts';
import { textWidth } from '../../../src/cli/text/text-width.ts';

const controls = /[\p{Cc}\p{Bidi_Control}]/u;
// biome-ignore lint/suspicious/noControlCharactersInRegex: colour is taken off here
const colour = /\u001b\[\d+m/g;

/**
 * Draws a screen at 80 columns without colour, after checking what must hold for every screen: no line is too long at
 * any width, nothing moves a cursor, and colour changes no word.
 */
export function golden<T extends object = object>(
  draw: (sheet: Sheet & T) => readonly string[],
  options?: T,
): string {
  const sheet = { ...plainSheet, ...options } as Sheet & T;
  for (const width of [40, 57, 80, 120]) {
    for (const line of draw({ ...sheet, width })) {
      expect(textWidth(line), `${width}: ${line}`).toBeLessThanOrEqual(width);
      expect(line).not.toMatch(controls);
      expect(line).toBe(line.trimEnd());
    }
  }
  const plain = draw(sheet);
  const inked = draw({ ...sheet, ink: colourInk }).map((line) => line.replace(colour, '').trimEnd());
  expect(inked).toEqual(plain);
  return `\n${plain.join('\n')}\n`;
}
