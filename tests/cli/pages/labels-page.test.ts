import { describe, expect, it } from 'vitest';
import { fitText, widthEm } from '../../../src/cli/pages/fit-text.ts';
import { labelsPage } from '../../../src/cli/pages/labels-page.ts';
import { gridOn, labelSizes, papers } from '../../../src/cli/pages/paper.ts';
import { hardLabels, orchardLabel } from './sample-labels.ts';

const options = {
  set: 'orchard',
  paper: 'A4',
  size: 'case',
  nowMs: Date.UTC(2026, 10, 26, 12),
  timeZone: 'UTC',
} as const;
const many = (count: number) => Array.from({ length: count }, (_, at) => orchardLabel(at + 1));
const countOf = (text: string, part: string | RegExp) => text.split(part).length - 1;

describe('sheets of labels', () => {
  it('have one label a node, in the order of the plan', () => {
    const page = labelsPage(many(7), options);
    expect(countOf(page, '<svg')).toBe(1);
    expect([...page.matchAll(/class="name"[^>]*>([^<]*)</g)].map(([, name]) => name)).toEqual(
      many(7).map(({ node }) => node),
    );
    for (const text of ['A7', '192.0.2.17', 'record 19', '26 Nov 2026', 'orchard', 'sheet 1 of 1'])
      expect(page).toContain(`>${text}<`.replace('>sheet', 'sheet').replace('1<', '1'));
  });

  it.each([
    ['A4', 'case', 28],
    ['letter', 'case', 24],
    ['A4', 'module', 70],
    ['letter', 'module', 65],
  ] as const)('on %s for a %s take %i labels', (paper, size, perSheet) => {
    expect(countOf(labelsPage(many(perSheet), { ...options, paper, size }), '<svg')).toBe(1);
    const page = labelsPage(many(perSheet + 1), { ...options, paper, size });
    expect(countOf(page, '<svg')).toBe(2);
    expect(countOf(page, '<g class="label"')).toBe(perSheet + 1);
    expect(page).toContain(`width="${papers[paper].widthMm}mm"`);
    expect(page).toContain(`@page { size: ${papers[paper].css} portrait; margin: 0 }`);
  });

  it('stay a centimetre away from the edges, with room for the line at the foot', () => {
    for (const paper of Object.values(papers)) {
      for (const size of Object.values(labelSizes)) {
        const { columns, rows, leftMm, topMm } = gridOn(paper, size);
        expect(leftMm).toBeGreaterThanOrEqual(10);
        expect(leftMm + columns * size.widthMm).toBeLessThanOrEqual(paper.widthMm - 10);
        expect(topMm + rows * size.heightMm).toBeLessThanOrEqual(paper.heightMm - 20);
      }
    }
  });

  it('escape what is foreign, load nothing and run nothing', () => {
    const page = labelsPage(hardLabels, { ...options, set: '"><script>' });
    expect(page).toContain('&lt;b&gt;&amp;&quot;&#39;');
    expect(page).not.toContain('<script');
    expect(page.replaceAll('http://www.w3.org/2000/svg', '')).not.toMatch(/https?:|url\(|src=|href=|@import/);
  });

  it('say of a node without a finished card that it is not made yet', () => {
    const page = labelsPage([orchardLabel(1, { made: null, fingerprint: null })], options);
    expect(page).toContain('>not made yet<');
    expect(page).not.toContain('record');
  });
});

describe('text on a label', () => {
  const room = { widthMm: 20, largestMm: 5, leastMm: 2, mostLines: 2, isWhole: false };
  const width = (text: string, face: 'mono' | 'sans', where = room) => {
    const { lines, sizeMm } = fitText(text, face, where);
    return Math.max(...lines.map((line) => widthEm(line, face) * sizeMm));
  };

  it('takes the largest size where it fits, and is never wider than its room', () => {
    expect(fitText('A1', 'sans', room)).toEqual({ lines: ['A1'], sizeMm: 5 });
    for (let length = 1; length <= 80; length++) {
      for (const sign of ['a', 'W', '上']) {
        expect(width(sign.repeat(length), 'sans')).toBeLessThanOrEqual(20.001);
        expect(width(sign.repeat(length), 'mono', { ...room, isWhole: true })).toBeLessThanOrEqual(20.001);
      }
    }
  });

  it('breaks behind a hyphen or colon near the middle', () => {
    expect(fitText('orchard-gateway-north', 'mono', room).lines).toEqual(['orchard-', 'gateway-north']);
    expect(fitText('2001:db8:85a3:1234:5678:8a2e', 'mono', room).lines).toEqual([
      '2001:db8:85a3:',
      '1234:5678:8a2e',
    ]);
  });

  it('is cut at the least size unless it has to be whole', () => {
    const cut = fitText('W'.repeat(64), 'sans', room);
    expect(cut.lines.join('')).toMatch(/^W+…$/);
    expect(cut.sizeMm).toBeGreaterThanOrEqual(2);
    expect(fitText('a'.repeat(63), 'mono', { ...room, isWhole: true }).lines.join('')).toBe('a'.repeat(63));
  });
});
