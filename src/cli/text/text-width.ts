import { stripVTControlCharacters } from 'node:util';

/** Blocks that are East Asian Wide or Fullwidth (Unicode Standard Annex 11), first and last code point. */
const wideBlocks: readonly (readonly [number, number])[] = [
  [0x1100, 0x115f],
  [0x2329, 0x232a],
  [0x2e80, 0x303e],
  [0x3041, 0xa4cf],
  [0xa960, 0xa97f],
  [0xac00, 0xd7a3],
  [0xf900, 0xfaff],
  [0xfe10, 0xfe1f],
  [0xfe30, 0xfe6f],
  [0xff01, 0xff60],
  [0xffe0, 0xffe6],
  [0x16fe0, 0x16fff],
  [0x17000, 0x18dff],
  [0x1aff0, 0x1b2ff],
  [0x1f200, 0x1f2ff],
  [0x20000, 0x3fffd],
];

const wideEmoji = /^(?!\p{Regional_Indicator})\p{Emoji_Presentation}$/u;
/** Combining marks, and what is invisible; the second half of Hangul syllables joins the first. */
const zeroWide =
  /^(?![\u00ad\u115f\u3164\uffa0])[\p{Mn}\p{Me}\p{Default_Ignorable_Code_Point}\u1160-\u11ff\ud7b0-\ud7fb\ufff9-\ufffb\u{13430}-\u{1343f}]$/u;
const printableAscii = /^[\x20-\x7e]*$/;

const graphemes = new Intl.Segmenter('en', { granularity: 'grapheme' });

function characterWidth(character: string): number {
  if (zeroWide.test(character)) return 0;
  const code = character.codePointAt(0) ?? 0;
  const isWide =
    wideBlocks.some(([first, last]) => code >= first && code <= last) || wideEmoji.test(character);
  return isWide ? 2 : 1;
}

/** Columns that a text takes in a terminal, counted as wcwidth(3) counts; colour sequences take none. */
export function textWidth(text: string): number {
  const plain = stripVTControlCharacters(text);
  if (printableAscii.test(plain)) return plain.length;
  let width = 0;
  for (const character of plain) width += characterWidth(character);
  return width;
}

/**
 * Splits a plain text where its first part takes at most `width` columns, not between a character and its marks.
 * The first part is empty only if the text is, or its first character is wider than `width`.
 */
export function splitAtWidth(text: string, width: number): [string, string] {
  const end = fittingLength(graphemes.segment(text), width);
  // Some scripts build single "characters" of any length: those are cut between code points.
  const cut = end > 0 ? end : fittingLength(codePoints(text), width);
  return [text.slice(0, cut), text.slice(cut)];
}

function fittingLength(pieces: Iterable<{ segment: string; index: number }>, width: number): number {
  let taken = 0;
  let length = 0;
  for (const { segment, index } of pieces) {
    taken += textWidth(segment);
    if (taken > width) return index;
    length = index + segment.length;
  }
  return length;
}

function* codePoints(text: string): Generator<{ segment: string; index: number }> {
  let index = 0;
  for (const segment of text) {
    yield { segment, index };
    index += segment.length;
  }
}

/** Cuts a plain text to `width` columns; a cut shows as "…". */
export function cutToWidth(text: string, width: number): string {
  return textWidth(text) <= width ? text : `${splitAtWidth(text, width - 1)[0]}…`;
}

/** Fills up with spaces to `width` columns, on the right or on the left. */
export function padToWidth(text: string, width: number, side: 'left' | 'right' = 'right'): string {
  const space = ' '.repeat(Math.max(0, width - textWidth(text)));
  return side === 'right' ? text + space : space + text;
}
