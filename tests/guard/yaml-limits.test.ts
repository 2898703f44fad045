import { describe, expect, it } from 'vitest';
import { Lexer } from 'yaml';
import { whyTooComplex } from '../../src/guard/yaml-limits.ts';

const tooDeep = 'it is nested more than 40 deep';
const why = (text: string) => whyTooComplex(text, 10_000);
const lexemesOf = (text: string) => [...new Lexer().lex(text)].length;

/** A map within a map within a map …, each on a line of its own, one space deeper. */
const indented = (levels: number, between = '') =>
  Array.from({ length: levels }, (_, at) => `${' '.repeat(at)}k:\n${between}`).join('');

describe('depth', () => {
  it.each([
    ['lines', (levels: number) => indented(levels)],
    ['lines with empty ones between', (levels: number) => indented(levels, '\n')],
    ['lists in brackets', (levels: number) => '['.repeat(levels) + ']'.repeat(levels)],
    ['maps in braces', (levels: number) => '{ k: '.repeat(levels) + '}'.repeat(levels)],
    ['lists on one line', (levels: number) => '- '.repeat(levels)],
    ['lists on a later line', (levels: number) => `- a\n${'- '.repeat(levels)}`],
    ['keys on one line', (levels: number) => '? '.repeat(levels)],
  ])('of %s: 40 levels pass, 41 do not', (_, text) => {
    expect(why(text(40))).toBeNull();
    expect(why(text(41))).toBe(tooDeep);
  });

  it.each([
    ['after a list', '- []\n'],
    ['within a list that went deeper before', '- [[a],\n'],
    ['after a bracket that closes nothing', '- ]\n'],
  ])('is counted right %s', (_, before) => {
    const levels = before.includes('[[') ? 39 : 40;
    const text = (more: number) => `${before} ${'['.repeat(levels + more)}`;
    expect(why(text(0))).toBeNull();
    expect(why(text(1))).toBe(tooDeep);
  });

  it('is not what merely goes on for long', () => {
    expect(why('k: [a]\n'.repeat(100))).toBeNull();
    expect(why('k: {a: b}\n'.repeat(100))).toBeNull();
    expect(why('- a\n'.repeat(100))).toBeNull();
    expect(why('a:\n b: c\n'.repeat(100))).toBeNull();
    expect(why(`${indented(30)}${indented(30)}`)).toBeNull();
    expect(why(`[${'[],'.repeat(100)}]`)).toBeNull();
  });

  it('of nothing is none', () => {
    expect([why(''), why('\n\n')]).toEqual([null, null]);
  });
});

describe('words and signs', () => {
  it('may be as many as the limit says, and not one more', () => {
    const text = 'set: orchard\nnodes: [a, b]\n';
    const count = lexemesOf(text);
    expect(whyTooComplex(text, count)).toBeNull();
    expect(whyTooComplex(text, count - 1)).toBe(`it has more than ${count - 1} words and signs`);
  });

  it('count an escape in a quoted text for one more each', () => {
    const text = 'k: "\\q\\q\\q"\n';
    const count = lexemesOf(text) + 3;
    expect(whyTooComplex(text, count)).toBeNull();
    expect(whyTooComplex(text, count - 1)).toBe(`it has more than ${count - 1} words and signs`);
  });
});
