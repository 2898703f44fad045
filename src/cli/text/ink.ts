import { inspect } from 'node:util';

/** What a colour means. It only ever repeats what the words beside it say. */
export type Tone = 'good' | 'bad' | 'care' | 'faint' | 'strong';

export type Ink = (tone: Tone, text: string) => string;

export const plainInk: Ink = (_tone, text) => text;

/** Names of Node's own table of SGR codes (ECMA-48); bold beside the hue helps where hues look alike. */
const formats: Record<Tone, readonly (keyof typeof inspect.colors)[]> = {
  good: ['bold', 'green'],
  bad: ['bold', 'red'],
  care: ['bold', 'yellow'],
  faint: ['dim'],
  strong: ['bold'],
};

/** `util.styleText` would look at this process's own output and environment: the decision is `chooseInk`'s alone. */
export const colourInk: Ink = (tone, text) => {
  if (text === '') return text;
  const codes = formats[tone].map((name) => inspect.colors[name] ?? [0, 0]);
  const on = codes.map(([code]) => `\u001b[${code}m`).join('');
  const off = codes.map(([, code]) => `\u001b[${code}m`).reverse();
  return on + text + off.join('');
};

/**
 * No colour when piped, on a dumb terminal, or where NO_COLOR is set and not empty (no-color.org); FORCE_COLOR gives
 * it to a pipe as well. NO_COLOR wins over FORCE_COLOR.
 */
export function chooseInk(isTerminal: boolean, env: Readonly<Record<string, string | undefined>>): Ink {
  if (env.NO_COLOR) return plainInk;
  const forced = env.FORCE_COLOR;
  if (forced !== undefined && forced !== '')
    return forced === '0' || forced === 'false' ? plainInk : colourInk;
  return isTerminal && env.TERM !== 'dumb' ? colourInk : plainInk;
}
