import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { describeWith } from '../lab/capabilities.ts';
import { bundleChild } from './child-program.ts';
import { isSameMap, openSample, orchardJob, sampleMap } from './sample.ts';
import { useWorkFolder } from './work-folder.ts';

const workFolder = useWorkFolder();

async function program(folder: string, source: string): Promise<string> {
  const file = join(folder, 'child.mjs');
  await bundleChild(
    `import { writeSync } from 'node:fs';
     import { openSample, orchardJob, sampleMap } from './sample.ts';
     const say = (value) => writeSync(1, JSON.stringify(value) + '\\n');
     ${source}`,
    file,
  );
  return file;
}

/** Writes records as fast as it can and says each one only after the call returned. */
const busyWriter = `
  const records = openSample(process.argv[2]);
  for (let n = 0; ; n += 1) {
    const id = records.beginJob({ ...orchardJob, node: 'orchard-' + n });
    records.saveDigestMap(id, sampleMap(200, n & 255));
    records.markSealing(id);
    records.markDone(id, { bytesReadBack: n, sectorsRead: null });
    say(id);
  }`;

/** Runs the writer and kills it once it has said so many records; gives all that it said. */
async function killAfter(records: number, file: string, path: string): Promise<number[]> {
  const child = spawn(process.execPath, [file, path], { stdio: ['ignore', 'pipe', 'inherit'] });
  const exited = once(child, 'exit');
  const said: number[] = [];
  for await (const line of createInterface(child.stdout)) {
    said.push(JSON.parse(line));
    if (said.length === records) child.kill('SIGKILL');
  }
  expect(await exited).toEqual([null, 'SIGKILL']);
  return said;
}

describe('a process that is killed', () => {
  it('has kept all that it acknowledged, and nothing half', async () => {
    const folder = workFolder();
    const path = join(folder, 'records.db');
    const file = await program(folder, busyWriter);
    const acknowledged: number[] = [];
    for (const afterRecords of [1, 7, 25, 40]) {
      acknowledged.push(...(await killAfter(afterRecords, file, path)));
      const records = openSample(path);
      const views = records.listRecords();
      expect(views.filter((r) => r.state === 'done').map((r) => r.id)).toEqual(
        expect.arrayContaining(acknowledged),
      );
      for (const id of acknowledged) {
        const seed = Number(records.readRecord(id)?.node?.slice('orchard-'.length)) & 255;
        expect(isSameMap(records.readDigestMap(id), sampleMap(200, seed))).toBe(true);
      }
      // What was cut off is at most one record a child, and it is told as what it is.
      const open = views.filter((r) => r.state !== 'done');
      for (const record of open) expect(['interrupted', 'unconfirmed']).toContain(record.state);
      records.close();
    }
    expect(new Database(path).pragma('integrity_check', { simple: true })).toBe('ok');
  });

  it('while sealing leaves "unconfirmed", and while writing "interrupted"', async () => {
    const folder = workFolder();
    const path = join(folder, 'records.db');
    const file = await program(
      folder,
      `const records = openSample(process.argv[2]);
       const writing = records.beginJob(orchardJob);
       records.enterPhase(writing, 'head-off');
       records.endPhase(writing, 'head-off', { elapsedMs: 1, bytes: 1 });
       const sealing = records.beginJob(orchardJob);
       records.markSealing(sealing);
       const standing = records.listRecords().map((r) => r.state);
       say([writing, sealing, standing]);
       process.kill(process.pid, 'SIGKILL');`,
    );
    const { stdout, signal } = spawnSync(process.execPath, [file, path], { encoding: 'utf8' });
    expect(signal).toBe('SIGKILL');
    const [writing, sealing, standing] = JSON.parse(stdout);
    expect(standing).toEqual(['sealing', 'running']);
    const records = openSample(path);
    expect(records.readRecord(writing)).toMatchObject({ state: 'interrupted', cardState: 'unbootable' });
    expect(records.readRecord(sealing)).toMatchObject({ state: 'unconfirmed', cardState: 'unconfirmed' });
    expect(records.settleInterrupted()).toHaveLength(2);
  });
});

describe('processes that write at once', () => {
  it('first make one store together, then lose no record and meet no lock', async () => {
    const folder = workFolder();
    const path = join(folder, 'new', 'records.db');
    const perChild = 40;
    const file = await program(
      folder,
      `const records = openSample(process.argv[2]);
       for (let n = 0; n < ${perChild}; n += 1) {
         const id = records.beginJob(orchardJob);
         records.enterPhase(id, 'write');
         records.addKernelLines(id, [process.argv[3] + '-' + n]);
         records.markCancelled(id, 'untouched');
       }
       records.listRecords({ limit: 3 });
       records.close();
       say('ended');`,
    );
    const children = ['a', 'b', 'c', 'd'].map((name) =>
      spawn(process.execPath, [file, path, name], { stdio: ['ignore', 'ignore', 'inherit'] }),
    );
    const statuses = await Promise.all(children.map(async (child) => (await once(child, 'exit'))[0]));
    expect(statuses).toEqual([0, 0, 0, 0]);
    const views = openSample(path).listRecords();
    expect(new Set(views.map((r) => r.id)).size).toBe(4 * perChild);
    expect(views.flatMap((r) => r.kernelLines).sort()).toEqual(
      ['a', 'b', 'c', 'd']
        .flatMap((name) => Array.from({ length: perChild }, (_, n) => `${name}-${n}`))
        .sort(),
    );
    expect(views.every((r) => r.state === 'cancelled' && r.phases.length === 1)).toBe(true);
  });

  it('open a new store while another is at work on its first page', async () => {
    const folder = workFolder();
    const path = join(folder, 'records.db');
    const file = await program(
      folder,
      `import Database from 'better-sqlite3';
       const db = new Database(process.argv[2]);
       db.exec('BEGIN IMMEDIATE');
       say('held');
       Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 300);
       db.exec('COMMIT');
       db.close();`,
    );
    const child = spawn(process.execPath, [file, path], { stdio: ['ignore', 'pipe', 'inherit'] });
    await once(child.stdout, 'data');
    const records = openSample(path);
    expect(records.beginJob(orchardJob)).toBe(1);
    expect(await once(child, 'exit')).toEqual([0, null]);
  });

  it('wait for a lock, and say so when it is held for too long', () => {
    const path = join(workFolder(), 'records.db');
    const records = openSample(path, { busyTimeoutMs: 300 });
    const id = records.beginJob(orchardJob);
    const other = new Database(path);
    other.exec('BEGIN IMMEDIATE');
    const begunMs = performance.now();
    let error: unknown;
    try {
      records.markSealing(id);
    } catch (thrown) {
      error = thrown;
    }
    expect(error).toBeInstanceOf(CardwrightError);
    expect(error).toMatchObject({ code: 'records.busy', exitStatus: 11 });
    expect(performance.now() - begunMs).toBeGreaterThan(250);
    // Reading does not wait for a writer.
    expect(records.readRecord(id)?.state).toBe('running');
    other.exec('ROLLBACK');
    records.markSealing(id);
    expect(records.readRecord(id)?.state).toBe('sealing');
  });
});

describeWith(['program:strace'], 'every acknowledged call, watched by strace', () => {
  it('has written the log and synced it before it returned', async () => {
    const folder = workFolder();
    const file = await program(
      folder,
      `const records = openSample(process.argv[2]);
       const mark = (text) => writeSync(2, 'MARK ' + text + '\\n');
       const id = records.beginJob(orchardJob); mark('begun');
       records.enterPhase(id, 'write'); mark('entered');
       records.saveDigestMap(id, sampleMap(500)); mark('map');
       records.markSealing(id); mark('sealing');
       records.markDone(id, { bytesReadBack: 1, sectorsRead: 1 }); mark('done');
       records.listRecords(); mark('read');`,
    );
    const log = join(folder, 'strace.log');
    const traced = spawnSync(
      'strace',
      [
        '-f',
        '-y',
        '-o',
        log,
        '-e',
        'trace=write,pwrite64,fsync,fdatasync',
        process.execPath,
        file,
        join(folder, 'records.db'),
      ],
      { encoding: 'utf8' },
    );
    expect([traced.status, traced.signal]).toEqual([0, null]);
    const steps = readFileSync(log, 'utf8').split(/^.*"MARK .*$/m);
    expect(steps).toHaveLength(7);
    for (const step of steps.slice(1, 5)) {
      const calls = step.split('\n').filter((line) => line.includes('records.db-wal'));
      expect(calls.filter((line) => /pwrite64\(/.test(line)).length).toBeGreaterThan(0);
      expect(calls.at(-1)).toMatch(/(fsync|fdatasync)\(.*= 0$/);
    }
    expect(steps[5]).not.toContain('records.db');
  });
});
