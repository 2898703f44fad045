import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { escapeText } from '../../src/contract/escape-text.ts';

const obeyed = /[\p{Cc}\p{Bidi_Control}\p{Cs}]/u;

describe('escapeText', () => {
  it.each([
    ['a terminal sequence', '\u001b[2Jgone', '\\x1b[2Jgone'],
    ['the one-byte form of it', '\u009b2J', '\\x9b2J'],
    ['a forged line', 'BOOT\r\ndone', 'BOOT\\x0d\\x0adone'],
    ['a turned direction', 'BOOT\u202egnp', 'BOOT\\u{202e}gnp'],
    ['the Arabic letter mark', 'a\u061cb', 'a\\u{61c}b'],
    ['an invisible joiner', 'BO\u2060OT', 'BO\\u{2060}OT'],
    ['invisible tags', 'BOOT\u{e0041}', 'BOOT\\u{e0041}'],
    ['half a pair', 'a\ud83cb', 'a\\u{d83c}b'],
    ['a line separator', 'a\u2028b', 'a\\u{2028}b'],
  ])('shows %s instead of obeying it', (_what, text, shown) => {
    expect(escapeText(text)).toBe(shown);
  });

  it('leaves writing alone, whatever its script', () => {
    for (const text of ['Café', 'Обед', '果樹園', 'بستان', '🍎 apples', 'a·b → c'])
      expect(escapeText(text)).toBe(text);
  });

  it('cuts long text, and never in half a character', () => {
    expect(escapeText('a'.repeat(300))).toBe(`${'a'.repeat(199)}…`);
    expect(escapeText('ab🍎🍎', 4)).toBe('ab…');
  });

  /** Bidi_Control and Cc as Unicode defines them: the properties come from the JavaScript engine's own tables. */
  it('lets no control, no direction mark and no lone surrogate through', () => {
    fc.assert(
      fc.property(fc.oneof(fc.string({ unit: 'binary' }), fc.string({ unit: 'binary-ascii' })), (text) => {
        const safe = escapeText(text, 10_000);
        expect(safe).not.toMatch(obeyed);
        expect(escapeText(safe, 20_000)).toBe(safe);
      }),
      { numRuns: 500 },
    );
  });
});
