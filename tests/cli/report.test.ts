/** The page about a batch, as it is asked for. In a browser it is looked at in tests/e2e/printed-pages.test.ts. */
import * as fs from 'node:fs';
import { join } from 'node:path';
import { beforeEach, describe, expect, it } from 'vitest';
import { reportFacts } from '../../src/batch/report/report-facts.ts';
import { reportPage } from '../../src/cli/pages/report-page.ts';
import { timeTicks } from '../../src/cli/pages/time-ticks.ts';
import { makeSampleBatch } from '../batch/sample-batch.ts';
import { runTool } from '../e2e/run-tool.ts';
import { openSample } from '../records/sample.ts';
import { useWorkFolder } from '../records/work-folder.ts';

const makeFolder = useWorkFolder();
let folder: string;
beforeEach(() => {
  folder = makeFolder();
});

const ask = (...words: string[]) =>
  runTool(['report', ...words, '--records', join(folder, 'records.db'), '--direct', '--json'], {
    cwd: folder,
  });

describe('the command report', () => {
  it('writes a page about the last batch, and replaces its own alone', async () => {
    makeSampleBatch(join(folder, 'records.db'));
    const page = join(folder, 'orchard-batch-1.html');
    for (const words of [[], ['1']]) {
      const { status, lines, stderr } = await ask(...words);
      expect(status, stderr).toBe(0);
      expect(lines.at(-1)).toMatchObject({ type: 'report', path: page, batch: 1, set: 'orchard' });
    }
    expect(fs.readFileSync(page, 'utf8')).toContain('<strong>5 of 7 nodes are done.</strong>');
    fs.writeFileSync(page, 'a letter to the baker');
    expect(await ask()).toMatchObject({ status: 2, lines: [{ code: 'usage.file-in-the-way' }] });
    expect(fs.readFileSync(page, 'utf8')).toBe('a letter to the baker');
  });

  it.each([
    [['2'], 'records.no-such-batch'],
    [['0'], 'usage.bad-value'],
    [['orchard'], 'usage.bad-value'],
    [['--out', '/nowhere/page.html'], 'usage.file-not-written'],
  ])('refuses %j', async (words, code) => {
    makeSampleBatch(join(folder, 'records.db'));
    expect(await ask(...words)).toMatchObject({ status: 2, lines: [{ code }] });
    expect(fs.readdirSync(folder).filter((name) => name.endsWith('.html') || name.endsWith('.new'))).toEqual(
      [],
    );
  });

  it('says that there is no batch yet, and makes no store', async () => {
    expect(await ask()).toMatchObject({ status: 2, lines: [{ code: 'records.no-batch-yet' }] });
    expect(fs.readdirSync(folder)).toEqual([]);
  });
});

describe('the page about a batch', () => {
  const pageOf = (change?: (records: ReturnType<typeof openSample>) => void): string => {
    const path = join(folder, 'records.db');
    makeSampleBatch(path);
    const records = openSample(path, { now: () => Date.UTC(2026, 10, 27, 19) });
    change?.(records);
    const page = reportPage(reportFacts(records.exportAll(), records.listBatches()[0]!.id)!, {
      timeZone: 'UTC',
    });
    records.close();
    return page;
  };
  const count = (page: string, pattern: RegExp) => [...page.matchAll(pattern)].length;

  it('has a row a node, a plot a card, a bar a card in the row of its reader', () => {
    const page = pageOf();
    expect(count(page, /<tr class="(done|not-done|no-card)">/g)).toBe(7);
    expect(count(page, /<svg class="rates"/g)).toBe(6);
    expect(count(page, /<path class="write"/g)).toBe(6);
    expect(count(page, /<path class="verify"/g)).toBe(5);
    const bars = [
      ...page.matchAll(/<rect class="(done|failed)" x="[\d.]+" y="(\d+)"[^>]*><title>(. [^<]+)</g),
    ];
    expect(bars.map(([, kind, y, name]) => [kind, y, name])).toEqual([
      ['done', '47', '✓ orchard-01'],
      ['done', '81', '✓ orchard-02'],
      ['done', '47', '✓ orchard-03'],
      ['failed', '81', '✗ orchard-04'],
      ['done', '47', '✓ orchard-05'],
      ['done', '81', '✓ orchard-06'],
    ]);
    expect(page).toContain('Ended by media.write-failed.');
  });

  it('says the result in words, not by colour alone, and has no number that is none', () => {
    const page = pageOf();
    for (const word of ['✓ done', '✗ not done', '– no card']) expect(page).toContain(word);
    expect(page).not.toMatch(/NaN|undefined|Infinity|\[object/);
  });

  it('loads nothing, runs nothing, and escapes what a card says', () => {
    const page = pageOf((records) => {
      const nodes = [{ name: '<b>x</b>', slot: '"><script>' }];
      records.beginBatch({ set: "a'b</title>", planPath: '<img src=x>', toolVersion: '0', nodes });
    });
    expect(page).not.toMatch(/<(script|img|link|iframe|b)\b/i);
    expect(page).not.toMatch(/(?:src|href)="(?!#)/);
    expect(page).toContain('No card was begun.');
    expect(page).toContain('The batch still runs.');
  });
});

describe('marks on a line of time', () => {
  it.each([
    [4000, [0, 1000, 2000, 3000, 4000]],
    [70_000, [0, 15_000, 30_000, 45_000, 60_000]],
    [433_000, [0, 120_000, 240_000, 360_000]],
    [3 * 86_400_000, [0, 86_400_000, 172_800_000, 259_200_000]],
    [1, [0]],
  ])('of %d ms', (lengthMs, places) => {
    expect(timeTicks(lengthMs, 5)).toEqual(places);
  });
});
