import { styleText } from 'node:util';

/** What a colour means. It only ever repeats what the words beside it say. */
export type Tone = 'good' | 'bad' | 'care' | 'faint' | 'strong';

export type Ink = (tone: Tone, text: string) => string;

export const plainInk: Ink = (_tone, text) => text;

export const colourInk: Ink = (tone, text) => {
  if (text === '') return text;
  switch (tone) {
    case 'good':
      return styleText(['bold', 'green'], text);
    case 'bad':
      return styleText(['bold', 'red'], text);
    case 'care':
      return styleText(['bold', 'yellow'], text);
    case 'faint':
      return styleText('dim', text);
    case 'strong':
      return styleText('bold', text);
  }
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
