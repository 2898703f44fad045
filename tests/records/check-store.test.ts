import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { openSample, orchardJob, sampleMap, slotCard } from './sample.ts';
import { useWorkFolder } from './work-folder.ts';

const workFolder = useWorkFolder();

/** A store with two records, one of them done and checked, and a batch with its staged image. */
function makeStore(): string {
  const path = join(workFolder(), 'records.db');
  const records = openSample(path);
  const batch = records.beginBatch({
    set: 'orchard',
    planPath: '/srv/orchard.yaml',
    toolVersion: '0.1.0',
    nodes: [{ name: 'orchard-01', slot: 'A1' }],
  });
  const image = { path: '/srv/node-os.img', sizeBytes: 5 * 2 ** 20, elapsedMs: 1000, map: sampleMap(5) };
  records.saveStagedImage(batch, image);
  const id = records.beginJob({ ...orchardJob, batch });
  records.saveDigestMap(id, sampleMap(9));
  records.saveCurve(id, [{ phase: 'write', points: [{ elapsedMs: 10, doneBytes: 512 }] }]);
  records.markSealing(id);
  records.markDone(id, { bytesReadBack: 9 * 2 ** 20, sectorsRead: null });
  records.addCheck(id, { verdict: 'bad', bytesReadBack: 0, findings: [] });
  const failed = records.beginJob({ ...orchardJob, card: slotCard });
  records.markFailed(failed, 'media.gone', 'unknown');
  records.endBatch(batch, 'done');
  records.close();
  return path;
}

function checkAfter(damage: (db: Database.Database) => void) {
  const path = makeStore();
  const db = new Database(path);
  db.pragma('foreign_keys = OFF');
  damage(db);
  db.close();
  const records = openSample(path, { isGone: () => false });
  try {
    return records.check();
  } finally {
    records.close();
  }
}

describe('a check of the store', () => {
  it('reads everything, and finds a sound one sound', () => {
    const { problems, counts } = checkAfter(() => undefined);
    expect(problems).toEqual([]);
    expect(counts).toEqual({ records: 2, batches: 1, cards: 2, sets: 1, maps: 2 });
  });

  const damages: [what: string, sql: string, problem: RegExp][] = [
    [
      'a digest map that is another',
      'UPDATE digest_maps SET root = hex(zeroblob(32))',
      /^record 1: the digest map of record 1/,
    ],
    [
      'a digest map cut short',
      'UPDATE digest_maps SET packed = substr(packed, 1, 40)',
      /^record 1: the digest map of record 1/,
    ],
    ["an image's map", 'UPDATE image_maps SET size_bytes = size_bytes + 1', /^image [0-9a-f]{64}: /],
    ['a card that is no JSON', "UPDATE jobs SET card = '{' WHERE id = 2", /^record 2: .*JSON/],
    ['rates that are no JSON', "UPDATE jobs SET curve = 'x' WHERE id = 1", /^record 1: .*JSON/],
    ['nodes of a batch', "UPDATE batches SET nodes = ''", /^the batches: .*JSON/],
    [
      'a done job that read nothing back',
      'UPDATE jobs SET bytes_read_back = NULL',
      /^record 1: it is done, and nothing was/,
    ],
    [
      'a done job without an end',
      'UPDATE jobs SET ended_at_ms = NULL WHERE id = 1',
      /^record 1: it is done without an end/,
    ],
    ['an ended job that still runs', "UPDATE jobs SET state = 'running' WHERE id = 1", /^record 1: /],
    [
      'a bad check that settled',
      'UPDATE jobs SET settled_by_check = 1 WHERE id = 1',
      /^record 1: it was settled by a check/,
    ],
    ['a record without its batch', 'DELETE FROM batches', /^entry 1 of jobs speaks of something in batches/],
  ];
  it.each(damages)('finds %s', (_what, sql, problem) => {
    const { problems } = checkAfter((db) => db.exec(sql));
    expect(problems).toEqual([expect.stringMatching(problem)]);
  });

  it('finds an index that does not fit its table, as SQLite says it', () => {
    const { problems } = checkAfter((db) => {
      db.unsafeMode();
      db.pragma('writable_schema = ON');
      db.exec(
        "UPDATE sqlite_schema SET sql = replace(sql, 'card_cid', 'card_serial') WHERE name = 'jobs_by_cid'",
      );
    });
    expect(problems.join('\n')).toMatch(/missing from index jobs_by_cid/);
  });
});
