import { describe, expect, it } from 'vitest';
import { chooseInk, colourInk, plainInk, type Tone } from '../../../src/cli/text/ink.ts';

const tones: Tone[] = ['good', 'bad', 'care', 'faint', 'strong'];

describe('colour', () => {
  it.each(tones)('%s is put round the words and taken off again (ECMA-48, SGR)', (tone) => {
    const inked = colourInk(tone, 'done');
    // biome-ignore lint/suspicious/noControlCharactersInRegex: these are the sequences in question
    expect(inked).toMatch(/^(?:\u001b\[\d+m)+done(?:\u001b\[\d+m)+$/);
    expect(colourInk(tone, '')).toBe('');
    expect(plainInk(tone, 'done')).toBe('done');
  });

  /** no-color.org: "when present and not an empty string (regardless of its value)" */
  it.each([
    ['a pipe', false, {}, plainInk],
    ['a terminal', true, { TERM: 'xterm' }, colourInk],
    ['a dumb terminal', true, { TERM: 'dumb' }, plainInk],
    ['a terminal with NO_COLOR=1', true, { NO_COLOR: '1' }, plainInk],
    ['a terminal with NO_COLOR=0', true, { NO_COLOR: '0' }, plainInk],
    ['a terminal with an empty NO_COLOR', true, { NO_COLOR: '' }, colourInk],
    ['a pipe with FORCE_COLOR=1', false, { FORCE_COLOR: '1' }, colourInk],
    ['a terminal with FORCE_COLOR=0', true, { FORCE_COLOR: '0' }, plainInk],
    ['a pipe with both', false, { FORCE_COLOR: '1', NO_COLOR: '1' }, plainInk],
  ])('%s', (_what, isTerminal, env, ink) => {
    expect(chooseInk(isTerminal, env)).toBe(ink);
  });
});
