import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { figureTable, replaceFigures } from './figure-table.ts';
import type { RecordedFigure } from './record-figure.ts';
import { suitesWithFigures } from './suites-with-figures.ts';

const tests = join(import.meta.dirname, '..');

describe('the table of figures', () => {
  const figures: RecordedFigure[] = [
    { name: 'kill points', value: 40, note: 'power cuts' },
    { name: 'kill points', value: 1200, note: 'writing a card' },
    { name: 'kill points', value: 41, note: 'power cuts' },
    { name: 'mutants made', value: 7, note: 'guard' },
  ];
  const rows = figureTable(figures, '2026-11-26', 'abc1234').split('\n');
  const rowOf = (name: string) => rows.find((row) => row.startsWith(`| ${name} |`));

  it('adds up what has one name, a part that was measured again once', () => {
    expect(rowOf('kill points')).toContain('| 1,241 | power cuts 41, writing a card 1,200 |');
    expect(rowOf('mutants made')).toContain('| 7 | guard |');
  });

  it('says what was not measured, and of every number what it does not prove', () => {
    expect(rowOf('boots proven')).toContain('| not measured |');
    const cells = rows.slice(4).map((row) => row.split('|').map((cell) => cell.trim()));
    expect(cells.length).toBeGreaterThan(10);
    for (const [, , , , limit = ''] of cells) expect(limit).toMatch(/^[A-Z].{30,}\.$/);
  });

  it('has its place in the README, and takes nothing else of it away', () => {
    const page = readFileSync(join(tests, '..', 'README.md'), 'utf8');
    const table = rows.join('\n');
    const changed = replaceFigures(page, table);
    expect(changed).toContain(`<!-- figures -->\n${table}\n<!-- end of figures -->`);
    const outside = (text: string) => text.replace(/<!-- figures -->[\s\S]*<!-- end of figures -->/, '');
    expect(outside(changed)).toBe(outside(page));
    expect(() => replaceFigures('a page', table)).toThrow('has no');
  });
});

describe('the suites that hand figures in', () => {
  it('are found by what they import, directly and through another file', () => {
    const found = suitesWithFigures(tests).map((file) => file.slice(tests.length + 1));
    expect(found).toContain('devices/machine-verdicts.test.ts');
    expect(found).toContain('hostile/plans.test.ts');
    expect(found).not.toContain('guard/rules.test.ts');
  });
});
