import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { labelsPage } from '../../src/cli/pages/labels-page.ts';
import { gridOn, labelSizes, papers } from '../../src/cli/pages/paper.ts';
import { makeRehearsalPlan } from '../../src/rehearsal/make-plan.ts';
import { makeSampleBatch } from '../batch/sample-batch.ts';
import { hardLabels, orchardLabel } from '../cli/pages/sample-labels.ts';
import {
  browserNeeds,
  codesOn,
  type PrintedWord,
  paperOf,
  printPage,
  widthWanted,
  wordsOn,
} from '../lab/browser.ts';
import { describeWith } from '../lab/capabilities.ts';
import { openSample, orchardJob } from '../records/sample.ts';
import { runTool } from './run-tool.ts';

type Size = 'case' | 'module';

/** A plan of four nodes, and a store in which the first of them is done. */
function makeOrchardRecords(folder: string): string[] {
  fs.writeFileSync(join(folder, 'node-os.img'), 'no image is looked at here');
  const plan = makeRehearsalPlan(folder, 4, 'node-os.img');
  const store = openSample(join(folder, 'store', 'records.db'));
  const id = store.beginJob(orchardJob);
  store.saveIdentity(id, {
    hostNames: ['orchard-01', '192.0.2.11'],
    hostKeys: [{ publicKey: 'ssh-ed25519 AAAA', fingerprint: 'SHA256:invented' }],
    identityFileSha256: null,
  });
  store.markSealing(id);
  store.markDone(id, { bytesReadBack: 1, sectorsRead: null });
  store.close();
  return [plan, '--records', join(folder, 'store', 'records.db')];
}

describe('the command labels', { timeout: 60_000 }, () => {
  let folder: string;
  beforeEach(() => {
    folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-labels-'));
  });
  afterEach(() => fs.rmSync(folder, { recursive: true }));

  it('writes a page of the plan and the records, says what is not made, and replaces only its own', async () => {
    const args = ['labels', ...makeOrchardRecords(folder)];
    const first = await runTool(args, { cwd: folder });
    expect(first.status, first.stderr).toBe(0);
    expect(first.stdout).toContain('4 labels · 1 sheet of A4');
    expect(first.stdout).toContain('orchard-02, orchard-03');
    const page = join(folder, 'orchard-labels.html');
    expect(fs.readFileSync(page, 'utf8')).toContain('>record 1<');

    const again = await runTool([...args, '--json', '--paper', 'letter', '--size', 'module'], {
      cwd: folder,
    });
    expect(again.lines).toMatchObject([
      { type: 'labels', path: page, paper: 'letter', size: 'module', sheets: 1 },
    ]);
    expect(again.lines[0]?.labels).toMatchObject([
      { node: 'orchard-01', made: { recordId: 1 }, fingerprint: 'SHA256:invented' },
      { node: 'orchard-02', made: null },
      {},
      {},
    ]);

    fs.writeFileSync(page, 'a letter to the baker');
    const refused = await runTool(args, { cwd: folder });
    expect(refused).toMatchObject({ status: 2, stdout: '' });
    expect(refused.stderr).toContain('usage.file-in-the-way');
    expect(fs.readFileSync(page, 'utf8')).toBe('a letter to the baker');
    expect((await runTool([...args, '--paper', 'napkin'], { cwd: folder })).status).toBe(2);
  });
});

/** Words that no label holds, foot of the sheet aside, with this much white at each side at least. */
function outsideLabels(words: readonly PrintedWord[], size: Size, marginMm: number): string[] {
  const label = labelSizes[size];
  const { leftMm, topMm, rows } = gridOn(papers.A4, label);
  return words
    .filter(({ topMm: top }) => top < topMm + rows * label.heightMm)
    .filter(({ leftMm: left, rightMm: right, topMm: top, bottomMm: bottom }) => {
      const x = (left - leftMm) % label.widthMm;
      const y = (top - topMm) % label.heightMm;
      const isInside =
        x >= marginMm &&
        x + right - left <= label.widthMm - marginMm &&
        y >= 0.5 &&
        y + bottom - top <= label.heightMm - 0.5;
      return !isInside;
    })
    .map(({ text }) => text);
}

describeWith(browserNeeds, 'labels in a browser', { timeoutMs: 120_000 }, () => {
  let folder: string;
  beforeEach(() => {
    folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-labels-'));
  });
  afterEach(() => fs.rmSync(folder, { recursive: true, maxRetries: 5, retryDelay: 200 }));

  it.each(['case', 'module'] as const)(
    'for a %s are printed at their size, hold all their text, and every code is read from the paper',
    (size) => {
      const labels = [...hardLabels, ...Array.from({ length: 66 }, (_, at) => orchardLabel(at + 8))];
      const page = join(folder, 'labels.html');
      fs.writeFileSync(page, labelsPage(labels, { set: 'orchard', paper: 'A4', size, nowMs: 0 }));
      const pdf = printPage(page, folder);

      const paper = paperOf(pdf);
      expect(paper.pages).toBe(size === 'case' ? 3 : 2);
      expect(paper.widthMm).toBeCloseTo(210, 0);
      expect(paper.heightMm).toBeCloseTo(297, 0);

      const words = wordsOn(pdf);
      for (const { node } of labels.slice(-66)) expect(words.map(({ text }) => text)).toContain(node);
      expect(outsideLabels(words, size, 1)).toEqual([]);

      const grid = gridOn(papers.A4, labelSizes[size]);
      const looked = labels.slice(0, 10);
      const places = looked.map((_, at) => ({
        leftMm: grid.leftMm + (at % grid.columns) * labelSizes[size].widthMm,
        topMm: grid.topMm + Math.floor(at / grid.columns) * labelSizes[size].heightMm,
        ...labelSizes[size],
      }));
      expect(codesOn(pdf, folder, places)).toEqual(
        looked.map(({ node, address, fingerprint }) =>
          [node, address, fingerprint].filter((line) => line !== null).join('\n'),
        ),
      );
    },
  );
});

describeWith(browserNeeds, 'the page about a batch in a browser', { timeoutMs: 120_000 }, () => {
  let folder: string;
  beforeEach(() => {
    folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-report-'));
  });
  afterEach(() => fs.rmSync(folder, { recursive: true, maxRetries: 5, retryDelay: 200 }));

  it('fits a telephone, and paper, with all its text', async () => {
    makeSampleBatch(join(folder, 'records.db'));
    const page = join(folder, 'report.html');
    const made = await runTool([
      'report',
      '--direct',
      '--records',
      join(folder, 'records.db'),
      '--out',
      page,
    ]);
    expect(made.status, made.stderr).toBe(0);
    expect(widthWanted(page, folder, 390)).toBe(390);

    const pdf = printPage(page, folder);
    const { widthMm, pages } = paperOf(pdf);
    expect(pages).toBeLessThanOrEqual(5);
    const words = wordsOn(pdf);
    for (const text of ['orchard-07', 'verify', 'usb:1-2', '✗', 'media.write-failed.']) {
      expect(words.map((word) => word.text)).toContain(text);
    }
    expect(words.filter(({ leftMm, rightMm }) => leftMm < 5 || rightMm > widthMm - 5)).toEqual([]);
  });
});
