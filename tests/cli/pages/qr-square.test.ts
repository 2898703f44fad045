import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { labelCode } from '../../../src/batch/labels/label-code.ts';
import { qrSquare } from '../../../src/cli/pages/qr-square.ts';
import { readCodes } from '../../lab/browser.ts';
import { describeWith } from '../../lab/capabilities.ts';
import { hardLabels, orchardLabel } from './sample-labels.ts';

const pixels = 4;

/** Draws the path's rectangles as a picture (netpbm's plain graymap): what any renderer of SVG does with them. */
function drawPicture(markup: string): Buffer {
  const scale = Number(/scale\(([\d.]+)\)/.exec(markup)?.[1]);
  const inset = Number(/translate\(([\d.]+)/.exec(markup)?.[1]);
  const count = Math.round(100 / scale);
  const quiet = Math.round(inset / scale);
  const size = count * pixels;
  const picture = Buffer.alloc(size * size, 255);
  for (const [, x, y, width] of markup.matchAll(/M(\d+) (\d+)h(\d+)v1h-\3z/g)) {
    for (let row = 0; row < pixels; row++) {
      const from = ((Number(y) + quiet) * pixels + row) * size + (Number(x) + quiet) * pixels;
      picture.fill(0, from, from + Number(width) * pixels);
    }
  }
  return Buffer.concat([Buffer.from(`P5 ${size} ${size} 255\n`), picture]);
}

describeWith(['program:zbarimg'], 'the code of a label', () => {
  it('is read by zbar as name, address and host-key fingerprint', () => {
    const folder = mkdtempSync(join(tmpdir(), 'cardwright-codes-'));
    try {
      for (const label of [orchardLabel(1), ...hardLabels]) {
        const path = join(folder, 'code.pgm');
        writeFileSync(path, drawPicture(qrSquare(labelCode(label), { x: 0, y: 0, size: 100 }).markup));
        const lines = [label.node, label.address, label.fingerprint].filter((line) => line !== null);
        expect(readCodes(path)).toEqual([lines.join('\n')]);
      }
    } finally {
      rmSync(folder, { recursive: true });
    }
  }, 60_000);

  it('has four clear modules around it (ISO/IEC 18004, section 9.1)', () => {
    const { markup } = qrSquare('orchard-01', { x: 10, y: 20, size: 29 });
    // Version 1 has 21 modules (section 5.3.1): with 4 on each side, one unit each.
    expect(markup).toContain('translate(14 24) scale(1)');
  });
});
