import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { layoutVersion, type Migration, migrate, refuseNewer } from '../../src/records/migrate.ts';
import { applicationId, migrations } from '../../src/records/schema.ts';
import { rfc8032Fingerprint, rfc8032Line } from '../identity/published-keys.ts';
import { openSample, orchardJob, sampleMap } from './sample.ts';
import { useWorkFolder } from './work-folder.ts';

const workFolder = useWorkFolder();

const invented: readonly Migration[] = [
  {
    version: 1,
    sql: "CREATE TABLE cards (id INTEGER PRIMARY KEY, name TEXT); INSERT INTO cards (name) VALUES ('a')",
  },
  { version: 2, sql: "ALTER TABLE cards ADD COLUMN slot TEXT; UPDATE cards SET slot = 'A1'" },
  { version: 3, sql: 'ALTER TABLE cards RENAME COLUMN name TO node' },
];

describe('bringing a layout up to date', () => {
  it('takes each step once, in order, and keeps what is stored', () => {
    const db = new Database(join(workFolder(), 'x.db'));
    migrate(db, invented.slice(0, 1));
    expect(layoutVersion(db)).toBe(1);
    migrate(db, invented);
    migrate(db, invented);
    expect(layoutVersion(db)).toBe(3);
    expect(db.prepare('SELECT * FROM cards').all()).toEqual([{ id: 1, node: 'a', slot: 'A1' }]);
  });

  it('leaves the layout before a step that fails half-way', () => {
    const path = join(workFolder(), 'x.db');
    const db = new Database(path);
    const broken: Migration = {
      version: 2,
      sql: 'ALTER TABLE cards ADD COLUMN slot TEXT; UPDATE nothing SET x = 1',
    };
    migrate(db, invented.slice(0, 1));
    expect(() => migrate(db, [...invented.slice(0, 1), broken])).toThrow('nothing');
    db.close();
    const again = new Database(path);
    expect(layoutVersion(again)).toBe(1);
    expect(again.prepare('SELECT * FROM cards').all()).toEqual([{ id: 1, name: 'a' }]);
    migrate(again, invented);
    expect(layoutVersion(again)).toBe(3);
  });

  it('refuses what a later program has made', () => {
    const db = new Database(':memory:');
    db.pragma('user_version = 9');
    expect(() => refuseNewer(db, invented)).toThrow(/layout 9; this version knows layouts up to 3/);
  });

  it('numbers its layouts without a gap', () => {
    expect(migrations.map((m) => m.version)).toEqual(migrations.map((_, at) => at + 1));
  });
});

/** `sqlite3 records.db .dump` of a store that layout 1 wrote: a done record and one cut off while sealing. */
const frozen = join(import.meta.dirname, 'layouts', 'v1.sql');

describe('layout 1', () => {
  it('is the one that was released: a change needs a new layout, not an edit of this one', () => {
    const fresh = new Database(':memory:');
    migrate(fresh, migrations.slice(0, 1));
    const old = new Database(':memory:');
    old.exec(readFileSync(frozen, 'utf8'));
    const layoutOf = (db: Database.Database) =>
      db
        .prepare("SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%' ORDER BY name")
        .all();
    expect(layoutOf(fresh)).toEqual(layoutOf(old));
  });

  it('with its records opens and reads', () => {
    const path = join(workFolder(), 'records.db');
    const db = new Database(path);
    db.exec(readFileSync(frozen, 'utf8'));
    db.pragma(`application_id = ${applicationId}`);
    db.pragma('user_version = 1');
    db.close();
    const records = openSample(path);
    expect(records.listRecords().map((r) => [r.id, r.node, r.state])).toEqual([
      [2, 'orchard-02', 'unconfirmed'],
      [1, 'orchard-01', 'done'],
    ]);
    expect(records.readDigestMap(1)).toEqual(sampleMap(3));
    expect(records.readRecord(2)?.checks).toHaveLength(1);
    expect(records.readFilesKey(1)).toBeNull();
    expect(records.beginJob(orchardJob)).toBe(3);
    records.saveIdentityFile(3, { sha256: 'd'.repeat(64), filesKey: Buffer.alloc(32, 3) });
    expect(records.readFilesKey(3)).toEqual(Buffer.alloc(32, 3));
    expect(records.readRecord(3)?.identity.identityFileSha256).toBe('d'.repeat(64));
    expect(JSON.stringify(records.readRecord(3))).not.toContain(Buffer.alloc(32, 3).toString('hex'));
  });

  it('gives up its host keys to a table of their own, and is left as it was where that fails', () => {
    const path = join(workFolder(), 'records.db');
    const db = new Database(path);
    db.exec(readFileSync(join(import.meta.dirname, 'layouts', 'v1-host-key.sql'), 'utf8'));
    db.pragma(`application_id = ${applicationId}`);
    db.pragma('user_version = 1');
    // Something of that name in the way of the last statement.
    db.exec('ALTER TABLE jobs ADD COLUMN host_names TEXT');
    expect(() => openSample(path)).toThrow(/host_names/);
    expect(layoutVersion(db)).toBe(1);
    expect(db.prepare('SELECT host_key_fingerprint FROM jobs WHERE id = 1').pluck().get()).toBe(
      rfc8032Fingerprint,
    );
    db.exec('ALTER TABLE jobs DROP COLUMN host_names');
    db.close();
    const records = openSample(path);
    expect(records.readRecord(1)?.identity).toEqual({
      hostNames: ['orchard-01'],
      hostKeys: [{ publicKey: `${rfc8032Line} orchard-01`, fingerprint: rfc8032Fingerprint }],
      identityFileSha256: 'c'.repeat(64),
    });
    expect(records.readRecord(2)?.identity.hostKeys).toEqual([]);
  });
});

/** `sqlite3 records.db .dump` of a store that layout 2 wrote: two jobs on one card of an SD slot, done and failed. */
const second = join(import.meta.dirname, 'layouts', 'v2.sql');

describe('layout 2', () => {
  it('gives its sets, nodes and cards tables of their own, and keeps every record', () => {
    const path = join(workFolder(), 'records.db');
    const db = new Database(path);
    db.exec(readFileSync(second, 'utf8'));
    db.pragma(`application_id = ${applicationId}`);
    db.pragma('user_version = 2');
    db.close();
    const records = openSample(path);
    expect(records.listRecords().map((r) => [r.id, r.node, r.state, r.cardId, r.batch])).toEqual([
      [2, 'orchard-02', 'failed', 1, null],
      [1, 'orchard-01', 'done', 1, null],
    ]);
    expect(records.listCards()).toMatchObject([{ id: 1, recordIds: [1, 2], port: 'mmc:0' }]);
    expect(records.listSets()).toEqual([
      {
        name: 'orchard',
        planPath: null,
        nodes: [
          { name: 'orchard-01', slot: null },
          { name: 'orchard-02', slot: null },
        ],
      },
    ]);
    expect(records.readDigestMap(1)).toEqual(sampleMap(3));
    expect(records.readCurve(1)).toEqual([]);
  });
});

/** `sqlite3 records.db .dump` of a store that layout 3 wrote: a batch of two, one done, one failed. */
const third = join(import.meta.dirname, 'layouts', 'v3.sql');

describe('layout 3', () => {
  it('opens with its batch, and every entry is found sound', () => {
    const path = join(workFolder(), 'records.db');
    const db = new Database(path);
    db.exec(readFileSync(third, 'utf8'));
    db.pragma(`application_id = ${applicationId}`);
    db.pragma('user_version = 3');
    db.close();
    const records = openSample(path);
    expect(records.check()).toMatchObject({
      problems: [],
      counts: { records: 2, batches: 1, cards: 2, sets: 1, maps: 2 },
    });
    expect(records.readBatch(1)).toMatchObject({ state: 'not-all-done', recordIds: [1, 2] });
    expect(records.readRecord(1)).toMatchObject({ slot: 'A1', settings: { network: 'ab'.repeat(32) } });
    expect(records.readFilesKey(1)).toBeNull();
    records.close();
  });
});
