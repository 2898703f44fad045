import { escapeText } from '../../contract/escape-text.ts';
import { type Ink, plainInk, type Tone } from './ink.ts';
import { padToWidth, textWidth } from './text-width.ts';
import { flow } from './wrap.ts';

/** What a screen is written on: columns a line may take, and the ink for meaning. */
export interface Sheet {
  readonly width: number;
  readonly ink: Ink;
}

/** A log file or a pipe. */
export const plainSheet: Sheet = { width: 80, ink: plainInk };

/** Columns of the label that stands before every entry. */
export const labelColumns = 10;

export interface EntryOptions {
  tone?: Tone;
  indent?: number;
  /** columns of the label, where a screen needs more or fewer than the usual */
  columns?: number;
}

/** Long enough for anything we say, and a bound all the same. */
const mostCharacters = 4000;

/**
 * One entry of a screen: a label, and phrases beside it that flow over as many lines as they need. Phrases that are
 * null or empty are left out; with none left there are no lines. Everything is escaped here once more.
 */
export function entry(
  sheet: Sheet,
  label: string,
  phrases: string | readonly (string | null)[],
  { tone, indent = 0, columns = labelColumns }: EntryOptions = {},
): string[] {
  const said = (typeof phrases === 'string' ? [phrases] : phrases)
    .filter((phrase): phrase is string => phrase !== null && phrase !== '')
    .map((phrase) => escapeText(phrase, mostCharacters));
  if (said.length === 0) return [];
  const name = escapeText(label);
  const lines = flow(said, sheet.width, indent + columns);
  const margin = ' '.repeat(indent);
  const inked = tone ? sheet.ink(tone, name) : name;
  if (textWidth(name) >= columns) return [margin + inked, ...lines];
  const [first = '', ...rest] = lines;
  return [margin + padToWidth(inked, columns) + first.slice(indent + columns), ...rest];
}

/** Several entries under one label, each beginning a line of its own. */
export function entries(
  sheet: Sheet,
  label: string,
  texts: readonly string[],
  options: EntryOptions = {},
): string[] {
  return texts.flatMap((text, at) => entry(sheet, at === 0 ? label : '', text, options));
}
