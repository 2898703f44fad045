import { splitAtWidth, textWidth } from './text-width.ts';

/** Spaces at which a line may break: not between a number and its unit. */
const breakable = /(?<!\d) +| +(?!(?:bytes?|[kMGT]i?B(?:\/s)?|min|ms|[%shd])(?![\p{L}\d]))/u;

/**
 * Breaks a plain text into lines of at most `width` columns, each indented by `indent`. Words longer than a line
 * (a digest, a path) are cut where they must be; a number keeps its unit.
 */
export function wrap(text: string, width: number, indent = 0): string[] {
  const room = Math.max(2, width - indent);
  const lines: string[] = [];
  let line = '';
  for (const word of text.split(breakable)) {
    if (word === '') continue;
    const joined = line === '' ? word : `${line} ${word}`;
    if (textWidth(joined) <= room) {
      line = joined;
      continue;
    }
    if (line !== '') lines.push(line);
    line = word;
    while (textWidth(line) > room) {
      const [head, rest] = splitAtWidth(line, room);
      if (head === '') break;
      lines.push(head);
      line = rest;
    }
  }
  if (line !== '' || lines.length === 0) lines.push(line);
  return lines.map((one) => ' '.repeat(indent) + one);
}

/** Sets phrases one after the other, " · " between them; a line breaks between phrases wherever it can. */
export function flow(phrases: readonly string[], width: number, indent = 0): string[] {
  const room = Math.max(2, width - indent);
  const lines: string[] = [];
  let line = '';
  for (const phrase of phrases) {
    const joined = line === '' ? phrase : `${line} · ${phrase}`;
    if (textWidth(joined) <= room) {
      line = joined;
      continue;
    }
    if (line !== '') lines.push(line);
    const broken = wrap(phrase, room);
    lines.push(...broken.slice(0, -1));
    line = broken.at(-1) ?? '';
  }
  if (line !== '' || lines.length === 0) lines.push(line);
  return lines.map((one) => ' '.repeat(indent) + one);
}
