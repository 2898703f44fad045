import { randomBytes } from 'node:crypto';
import { mkdirSync, openSync, readFileSync, symlinkSync, writeFileSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { migrations } from '../../src/records/schema.ts';
import { openSample, orchardJob, sampleMap } from './sample.ts';
import { useWorkFolder } from './work-folder.ts';

const workFolder = useWorkFolder();

function refusal(act: () => unknown): CardwrightError {
  try {
    act();
  } catch (error) {
    if (error instanceof CardwrightError) return error;
    throw error;
  }
  throw new Error('it was not refused');
}

function expectRefused(path: string, code: string): CardwrightError {
  const error = refusal(() => openSample(path));
  expect([error.code, error.exitStatus]).toEqual([code, 11]);
  expect(error.message).toContain(path);
  return error;
}

describe('a store that cannot be used', () => {
  it.each<[string, Buffer]>([
    ['a line of text', Buffer.from('orchard-01 is on the blue card\n')],
    ['one byte', Buffer.from('x')],
    ['noise', randomBytes(20_000)],
    ['a database with its first bytes gone', Buffer.concat([Buffer.alloc(16), randomBytes(8176)])],
  ])('is refused when it is %s, and stays as it is', (_title, content) => {
    const path = join(workFolder(), 'records.db');
    writeFileSync(path, content);
    expectRefused(path, 'records.not-a-database');
    expect(readFileSync(path)).toEqual(content);
  });

  it('is refused when it belongs to another program', () => {
    const path = join(workFolder(), 'records.db');
    const db = new Database(path);
    db.exec('CREATE TABLE jobs (id INTEGER)');
    db.close();
    const before = readFileSync(path);
    expectRefused(path, 'records.other-database');
    expect(readFileSync(path)).toEqual(before);
  });

  it('is refused by the numbers when a newer version made it', () => {
    const path = join(workFolder(), 'records.db');
    openSample(path).close();
    const db = new Database(path);
    db.pragma(`user_version = ${migrations.length + 6}`);
    db.close();
    const error = expectRefused(path, 'records.newer');
    expect(error.facts).toMatchObject({ found: migrations.length + 6, known: migrations.length });
  });

  it('that becomes newer while it is open takes no more entries', () => {
    const path = join(workFolder(), 'records.db');
    const records = openSample(path);
    records.beginJob(orchardJob);
    const db = new Database(path);
    db.pragma(`user_version = ${migrations.length + 1}`);
    db.close();
    expect(refusal(() => records.beginJob(orchardJob)).code).toBe('records.newer');
    expect(refusal(() => records.listRecords()).code).toBe('records.newer');
  });

  it('is refused when it is a folder, a link, or lies under a file', () => {
    const folder = workFolder();
    mkdirSync(join(folder, 'records.db'));
    expectRefused(join(folder, 'records.db'), 'records.cannot-open');
    symlinkSync(join(folder, 'elsewhere'), join(folder, 'link.db'));
    expectRefused(join(folder, 'link.db'), 'records.cannot-open');
    writeFileSync(join(folder, 'plain'), '');
    expectRefused(join(folder, 'plain', 'records.db'), 'records.cannot-open');
  });
});

describe('a damaged store', () => {
  it('is named as such by the call that meets the damage', () => {
    const path = join(workFolder(), 'records.db');
    const records = openSample(path);
    for (let n = 0; n < 40; n += 1) records.addKernelLines(records.beginJob(orchardJob), ['x'.repeat(500)]);
    records.close();
    const size = readFileSync(path).length;
    const file = openSync(path, 'r+');
    for (let page = 1; page < size / 4096; page += 1)
      writeSync(file, randomBytes(4096), 0, 4096, page * 4096);
    const error = refusal(() => openSample(path).listRecords());
    expect([error.code, error.exitStatus]).toEqual(['records.damaged', 11]);
  });

  it('cut short is named as damaged', () => {
    const path = join(workFolder(), 'records.db');
    const records = openSample(path);
    for (let n = 0; n < 40; n += 1) records.addKernelLines(records.beginJob(orchardJob), ['x'.repeat(500)]);
    records.close();
    writeFileSync(path, readFileSync(path).subarray(0, 4096 * 3));
    expect(refusal(() => openSample(path).listRecords()).code).toBe('records.damaged');
  });

  it.each([
    ['a flipped bit', (packed: Buffer) => packed.writeUInt8(packed.readUInt8(200) ^ 4, 200)],
    ['a whole other map', (packed: Buffer) => packed.fill(0)],
  ])('does not hand out a digest map with %s', (_title, harm) => {
    const path = join(workFolder(), 'records.db');
    const records = openSample(path);
    const id = records.beginJob(orchardJob);
    records.saveDigestMap(id, sampleMap(64));
    const db = new Database(path);
    const packed = db.prepare('SELECT packed FROM digest_maps').pluck().get() as Buffer;
    harm(packed);
    db.prepare('UPDATE digest_maps SET packed = ?').run(packed);
    db.close();
    expect(refusal(() => records.readDigestMap(id)).code).toBe('records.damaged');
  });

  it('does not hand out an exchanged digest map that is whole in itself', () => {
    const path = join(workFolder(), 'records.db');
    const records = openSample(path);
    const [a, b] = [records.beginJob(orchardJob), records.beginJob(orchardJob)];
    records.saveDigestMap(a, sampleMap(8, 1));
    records.saveDigestMap(b, sampleMap(8, 2));
    const db = new Database(path);
    db.exec(
      `UPDATE digest_maps SET packed = (SELECT packed FROM digest_maps WHERE job = ${a}) WHERE job = ${b}`,
    );
    db.close();
    expect(records.readDigestMap(a)).toEqual(sampleMap(8, 1));
    expect(refusal(() => records.readDigestMap(b)).code).toBe('records.damaged');
  });
});
