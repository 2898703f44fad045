import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { entries, entry, plainSheet } from '../../../src/cli/text/sheet.ts';
import { table } from '../../../src/cli/text/table.ts';
import { textWidth } from '../../../src/cli/text/text-width.ts';
import { flow, wrap } from '../../../src/cli/text/wrap.ts';

const foreign = fc.oneof(
  fc.string({ unit: 'binary', maxLength: 80 }),
  fc.string({ unit: 'grapheme', maxLength: 80 }),
  fc.string({ maxLength: 80 }),
  fc.constantFrom('\u001b[2J\u001b[H', 'BOOT\r\ndone', '果樹園'.repeat(20), '\u202egnp', 'a'.repeat(90)),
);
const controls = /[\p{Cc}\p{Bidi_Control}]/u;

function expectTame(lines: readonly string[], width: number): void {
  for (const line of lines) {
    expect(line).not.toMatch(controls);
    expect(textWidth(line)).toBeLessThanOrEqual(width);
  }
}

describe('wrap', () => {
  it('breaks between words, and keeps a number with its unit', () => {
    expect(wrap('written in 1 min 29 s at 21.1 MB/s', 20)).toEqual(['written in 1 min', '29 s at 21.1 MB/s']);
    expect(wrap('holds 31.9 GB', 10)).toEqual(['holds', '31.9 GB']);
  });

  it('cuts a word only where a line is too short for it', () => {
    expect(wrap('sha256 ba7816bf8f01cfea', 10, 2)).toEqual(['  sha256', '  ba7816bf', '  8f01cfea']);
  });

  it('gives one empty line for nothing', () => {
    expect(wrap('', 10)).toEqual(['']);
  });
});

describe('flow', () => {
  it('breaks between phrases rather than inside one', () => {
    expect(flow(['STORAGE DEVICE', 'reader usb:1-2', '31.9 GB'], 34)).toEqual([
      'STORAGE DEVICE · reader usb:1-2',
      '31.9 GB',
    ]);
  });
});

describe('entry', () => {
  it('puts a label before phrases, and aligns what follows', () => {
    expect(
      entry({ ...plainSheet, width: 30 }, 'card', ['STORAGE DEVICE', null, '', 'reader usb:1-2']),
    ).toEqual(['card      STORAGE DEVICE', '          reader usb:1-2']);
    expect(entries(plainSheet, 'next', ['One.', 'Two.'])).toEqual(['next      One.', '          Two.']);
    expect(entry(plainSheet, 'next', [])).toEqual([]);
  });

  it('stays within the width and obeys no foreign text', () => {
    fc.assert(
      fc.property(
        fc.array(foreign, { maxLength: 5 }),
        fc.integer({ min: 40, max: 120 }),
        (phrases, width) => {
          expectTame(entry({ ...plainSheet, width }, 'card', phrases), width);
        },
      ),
    );
  });
});

describe('table', () => {
  it('aligns columns, wide characters included', () => {
    const columns = [{ head: 'label' }, { head: 'size', align: 'right' as const }, { head: 'state' }];
    const rows = [{ cells: ['果樹園', '31.9 GB', 'done'] }, { cells: ['BOOT', '512 MB', 'failed'] }];
    expect(table(plainSheet, columns, rows)).toEqual([
      'label      size  state',
      '果樹園  31.9 GB  done',
      'BOOT     512 MB  failed',
    ]);
  });

  it('shows a cell that had to be cut whole on a line of its own', () => {
    const columns = [{ head: 'reader' }, { head: 'card' }];
    const lines = table({ ...plainSheet, width: 30 }, columns, [
      { cells: ['usb:1-2', 'A VERY LONG VENDOR NAME INDEED'] },
    ]);
    expect(lines).toEqual([
      'reader   card',
      'usb:1-2  A VERY LONG VENDOR N…',
      '    card      A VERY LONG',
      '              VENDOR NAME',
      '              INDEED',
    ]);
  });

  it('never gets wider than the sheet, for any text in any cell, and obeys none of it', () => {
    const width = fc.integer({ min: 40, max: 120 });
    const rows = fc.array(fc.array(foreign, { minLength: 1, maxLength: 6 }), { minLength: 1, maxLength: 4 });
    const columns = ['reader', 'card', 'size', 'verdict', 'code', 'record'].map((head) => ({ head }));
    fc.assert(
      fc.property(rows, width, (cells, columnsWide) => {
        const sheet = { ...plainSheet, width: columnsWide };
        expectTame(
          table(
            sheet,
            columns,
            cells.map((texts) => ({ cells: texts })),
          ),
          columnsWide,
        );
      }),
      { numRuns: 300 },
    );
  });
});
