/** The records as a person asks for them; the table is read by Python's own csv module (RFC 4180). */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { beforeEach, describe, expect, it } from 'vitest';
import { runTool } from '../e2e/run-tool.ts';
import { describeWith } from '../lab/capabilities.ts';
import { openSample, orchardJob, readerCard, slotCard, tickingClock } from '../records/sample.ts';
import { useWorkFolder } from '../records/work-folder.ts';

const makeFolder = useWorkFolder();
let folder: string;
let store: string;

/** Four records on two days; the last card speaks in formulas. */
beforeEach(() => {
  folder = makeFolder();
  store = join(folder, 'records.db');
  const day = 86_400_000;
  const begun = new Date(2026, 10, 20, 12).getTime();
  const first = openSample(store, { now: tickingClock(begun) });
  const one = first.beginJob(orchardJob);
  first.markSealing(one);
  first.markDone(one, { bytesReadBack: 1_873_805_312, sectorsRead: 3_659_776 });
  first.markFailed(
    first.beginJob({ ...orchardJob, node: 'orchard-02', card: slotCard }),
    'media.gone',
    'unknown',
  );
  first.close();
  const later = openSample(store, { now: tickingClock(begun + 3 * day) });
  later.markCancelled(later.beginJob({ ...orchardJob, set: 'meadow' }), 'unknown');
  const card = { ...readerCard, serial: '=1+2', model: 'a "b",\nc' };
  later.markFailed(later.beginJob({ ...orchardJob, card }), 'media.write-failed', 'unbootable');
  later.close();
});

const ask = (...words: string[]) =>
  runTool(['records', ...words, '--records', store, '--direct'], { cwd: folder });

const numbers = async (...words: string[]) => {
  const { status, stdout, stderr } = await ask(...words, '--json');
  expect(status, stderr).toBe(0);
  const { records } = JSON.parse(stdout) as { records: { id: number }[] };
  return records.map(({ id }) => id);
};

describe('a choice of records', () => {
  it.each<[string[], number[]]>([
    [[], [4, 3, 2, 1]],
    [
      ['--set', 'orchard'],
      [4, 2, 1],
    ],
    [
      ['--set', 'orchard', '--node', 'orchard-01'],
      [4, 1],
    ],
    [['--state', 'done'], [1]],
    [
      ['--state', 'failed', '--state', 'cancelled'],
      [4, 3, 2],
    ],
    [['--card', '0353445343333247801234567801312F'], [2]],
    [['--card', '=1+2'], [4]],
    [
      ['--since', '2026-11-23'],
      [4, 3],
    ],
    [['--last', '1', '--set', 'orchard'], [4]],
    [['--batch', '7'], []],
  ])('by %j', async (words, expected) => {
    expect(await numbers(...words)).toEqual(expected);
  });

  it('says where there is none such', async () => {
    expect((await ask('--node', 'orchard-09')).stdout).toBe('None of the 4 records is such a one.\n');
  });

  it.each([
    [['--state', 'broken'], 'usage.bad-value'],
    [['--since', '2026-02-30'], 'usage.bad-value'],
    [['--since', 'yesterday'], 'usage.bad-value'],
    [['--last', '0'], 'usage.bad-value'],
    [['--batch', '1e3'], 'usage.bad-value'],
    [['1', '--node', 'orchard-01'], 'usage.conflicting-options'],
    [['1', '--check'], 'usage.conflicting-options'],
    [['--check', '--export', 'all.csv'], 'usage.conflicting-options'],
    [['--check', '--set', 'orchard'], 'usage.conflicting-options'],
    [['1', '--export', 'all.csv'], 'usage.conflicting-options'],
    [['--export', 'all.txt'], 'usage.bad-value'],
  ])('refuses %j', async (words, code) => {
    const { status, stdout } = await ask(...words, '--json');
    expect(status).toBe(2);
    expect(JSON.parse(stdout)).toMatchObject({ type: 'error', code });
    expect(fs.readdirSync(folder).filter((name) => name.startsWith('all'))).toEqual([]);
  });
});

describeWith(['program:python3'], 'records in a file', () => {
  it('are a table that others read', async () => {
    const { status, stdout } = await ask('--export', 'orchard.csv', '--set', 'orchard');
    expect(status).toBe(0);
    expect(stdout).toContain('3 of 4 records');
    const read =
      'import csv, json, sys; print(json.dumps(list(csv.DictReader(open(sys.argv[1], newline=""), strict=True))))';
    const rows = JSON.parse(
      execFileSync('python3', ['-c', read, join(folder, 'orchard.csv')], { encoding: 'utf8' }),
    );
    expect(rows).toHaveLength(3);
    expect(rows[0]).toMatchObject({
      record: '4',
      state: 'failed',
      code: 'media.write-failed',
      card_serial: "'=1+2",
    });
    expect(rows[0].card_model).toBe('a "b",\\x0ac');
    expect(rows[2]).toMatchObject({
      node: 'orchard-01',
      state: 'done',
      bytes_read_back: '1873805312',
      began: new Date(2026, 10, 20, 12, 0, 1).toISOString(),
    });
  });

  it('are all that is known, as JSON, without what stays in the store', async () => {
    expect((await ask('--export', 'all.json')).status).toBe(0);
    const text = fs.readFileSync(join(folder, 'all.json'), 'utf8');
    expect(JSON.parse(text)).toMatchObject({
      format: 'cardwright-records',
      version: 1,
      cards: [{ recordIds: [4] }, { recordIds: [3] }, { recordIds: [2] }, { recordIds: [1] }],
      records: [{ id: 4 }, { id: 3 }, { id: 2 }, { id: 1 }],
    });
    expect(text).not.toContain('filesKey');
  });

  it('take the place of an earlier file of ours, and of no other', async () => {
    for (const name of ['all.csv', 'all.json']) {
      expect((await ask('--export', name)).status).toBe(0);
      expect((await ask('--export', name, '--last', '1')).status).toBe(0);
      fs.writeFileSync(join(folder, name), 'record,mine\n');
      const { status, stdout } = await ask('--export', name, '--json');
      expect(status).toBe(2);
      expect(JSON.parse(stdout).code).toBe('usage.file-in-the-way');
      expect(fs.readFileSync(join(folder, name), 'utf8')).toBe('record,mine\n');
    }
  });
});

describe('a check of the records', () => {
  it('ends with 0 where all is well, also where there are none', async () => {
    const sound = await ask('--check');
    expect(sound).toMatchObject({ status: 0, stdout: expect.stringContaining('4 records') });
    const none = await runTool(['records', '--check', '--records', join(folder, 'none.db'), '--direct']);
    expect(none).toMatchObject({ status: 0, stdout: expect.stringContaining('0 records') });
    expect(fs.existsSync(join(folder, 'none.db'))).toBe(false);
  });

  it('ends with 11 and names what is wrong', async () => {
    const db = new Database(store);
    db.exec("UPDATE jobs SET card = '' WHERE id = 2; UPDATE jobs SET bytes_read_back = NULL");
    db.close();
    const { status, stdout } = await ask('--check', '--json');
    const lines = stdout
      .trim()
      .split('\n')
      .map((line) => JSON.parse(line));
    expect(status).toBe(11);
    expect(lines.at(-1)).toMatchObject({
      code: 'records.damaged',
      findings: [
        { code: 'records.entry-damaged', facts: { why: expect.stringContaining('record 1') } },
        { code: 'records.entry-damaged', facts: { why: expect.stringContaining('record 2') } },
      ],
    });
    expect((await ask('--check')).stderr).toContain('record 2: an entry does not read as JSON');
  });
});
