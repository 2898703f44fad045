import { spawnSync } from 'node:child_process';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { cutToWidth, padToWidth, splitAtWidth, textWidth } from '../../../src/cli/text/text-width.ts';

/** Runs of code points that glibc's own wcwidth(3) gives the same width, through Python's ctypes. */
const askGlibc = `
import ctypes, json
libc = ctypes.CDLL('libc.so.6')
assert libc.setlocale(6, b'C.UTF-8')
runs, width, start = [], None, 0
for code in range(0x20, 0x110001):
    now = libc.wcwidth(ctypes.c_uint32(code)) if code < 0x110000 else None
    if now != width:
        if width is not None: runs.append([start, code - 1, width])
        width, start = now, code
print(json.dumps(runs))
`;

const answer = spawnSync('python3', ['-c', askGlibc], { encoding: 'utf8', maxBuffer: 2 ** 24 });
const hasGlibc = answer.status === 0;

/** U+1171E AHOM CONSONANT SIGN MEDIAL RA: glibc 2.36 takes it for a mark; Unicode made it a spacing one. */
const differing = new Set([0x1171e]);

describe('textWidth', () => {
  it.skipIf(!hasGlibc)(
    `counts every assigned character as glibc's wcwidth(3) does${hasGlibc ? '' : ' (skipped: needs python3 and glibc)'}`,
    () => {
      const runs = JSON.parse(answer.stdout) as [number, number, number][];
      const wrong: string[] = [];
      let compared = 0;
      for (const [first, last, width] of runs) {
        for (let code = first; width >= 0 && code <= last; code++) {
          if (code >= 0xd800 && code <= 0xdfff) continue;
          compared++;
          if (textWidth(String.fromCodePoint(code)) !== width && !differing.has(code))
            wrong.push(code.toString(16));
        }
      }
      expect(wrong).toEqual([]);
      expect(compared).toBeGreaterThan(280_000);
    },
  );

  it.each([
    ['orchard-01', 10],
    ['果樹園', 6],
    ['ﾊﾝｶｸ', 4],
    ['e\u0301tude', 5],
    ['한글', 4],
    ['🍎', 2],
    ['\u001b[1m\u001b[32mdone\u001b[39m\u001b[22m', 4],
    ['━━─', 3],
  ])('%s takes %d columns', (text, columns) => {
    expect(textWidth(text)).toBe(columns);
  });
});

const controls = /\p{Cc}/gu;

describe('cutting and filling', () => {
  it('keeps a character and its marks together', () => {
    expect(splitAtWidth('e\u0301e\u0301e\u0301', 2)).toEqual(['e\u0301e\u0301', 'e\u0301']);
    expect(cutToWidth('果樹園の箱', 6)).toBe('果樹…');
    expect(cutToWidth('orchard', 7)).toBe('orchard');
    expect(padToWidth('果樹', 6)).toBe('果樹  ');
    expect(padToWidth('7', 3, 'left')).toBe('  7');
  });

  it('never gives more columns than asked for, and loses nothing when splitting', () => {
    fc.assert(
      fc.property(
        fc.string({ unit: 'binary', maxLength: 60 }),
        fc.integer({ min: 2, max: 40 }),
        (raw, width) => {
          const text = raw.replace(controls, '');
          const [head, rest] = splitAtWidth(text, width);
          expect(head + rest).toBe(text);
          expect(textWidth(head)).toBeLessThanOrEqual(width);
          if (text !== '') expect(head).not.toBe('');
          expect(textWidth(cutToWidth(text, width))).toBeLessThanOrEqual(width);
        },
      ),
    );
  });
});
