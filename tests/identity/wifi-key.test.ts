import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { deriveWifiKey, whyNoWifiName, whyNoWifiPhrase } from '../../src/identity/wifi-key.ts';

describe('wireless keys', () => {
  it.each([
    ['seven77', /7 bytes/],
    ['x'.repeat(64), /64 bytes/],
    ['', /0 bytes/],
    ['pass\tword', /other than the printable/],
    ['contraseña', /other than the printable/],
    ['password\n', /other than the printable/],
  ])('refuses the phrase %j without repeating it', (phrase, reason) => {
    expect(whyNoWifiPhrase(phrase)).toMatch(reason);
    expect(() => deriveWifiKey(phrase, 'orchard')).toThrow(reason);
    if (phrase !== '') expect(whyNoWifiPhrase(phrase)).not.toContain(phrase);
  });

  it.each([
    ['', /empty/],
    ['x'.repeat(33), /33 bytes/],
    // 17 characters of two bytes each: the limit counts bytes.
    ['é'.repeat(17), /34 bytes/],
  ])('refuses the name %j', (name, reason) => {
    expect(whyNoWifiName(name)).toMatch(reason);
    expect(() => deriveWifiKey('password', name)).toThrow(reason);
  });

  it('takes the longest and shortest of both', () => {
    expect(whyNoWifiPhrase('x'.repeat(8)) ?? whyNoWifiPhrase('x'.repeat(63))).toBeNull();
    expect(whyNoWifiName('x') ?? whyNoWifiName('é'.repeat(16))).toBeNull();
  });

  it('is one key for bytes and text, and leaves the bytes as they are', () => {
    const phrases = fc.string({ minLength: 8, maxLength: 63, unit: 'grapheme-ascii' });
    fc.assert(
      fc.property(phrases, fc.string({ minLength: 1, maxLength: 8 }), (phrase, name) => {
        const bytes = new TextEncoder().encode(phrase);
        expect(deriveWifiKey(bytes, name)).toBe(deriveWifiKey(phrase, name));
        expect(new TextDecoder().decode(bytes)).toBe(phrase);
      }),
      { numRuns: 30 },
    );
  });
});
