import { execFileSync, spawnSync } from 'node:child_process';
import { chmodSync, mkdirSync, rmSync, statfsSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { Records } from '../../src/records/record-types.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type Cleanup, makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { bundleChild } from './child-program.ts';
import { isSameMap, openSample, orchardJob, sampleMap } from './sample.ts';

async function smallDisk(cleanup: Cleanup, size: string): Promise<string> {
  const path = join(await makeWorkFolder(cleanup), 'disk');
  mkdirSync(path);
  cleanup.add({ kind: 'mount', path }, async () => execFileSync('umount', [path]));
  execFileSync('mount', ['-t', 'tmpfs', '-o', `size=${size},mode=0700`, 'records-test', path]);
  return path;
}

/** Writes whole jobs until a call fails; gives what was acknowledged and how it ended. */
function fillUp(records: Records): { done: number[]; begun: number[]; error: CardwrightError } {
  const done: number[] = [];
  const begun: number[] = [];
  try {
    for (;;) {
      const id = records.beginJob(orchardJob);
      begun.push(id);
      records.saveDigestMap(id, sampleMap(2000, id));
      records.markSealing(id);
      records.markDone(id, { bytesReadBack: id, sectorsRead: null });
      done.push(id);
    }
  } catch (error) {
    if (error instanceof CardwrightError) return { done, begun, error };
    throw error;
  }
}

describeWith(['linux', 'root', 'program:mount'], 'a disk without room', () => {
  it('loses nothing that was said to be done, and works again when there is room', async () => {
    await withCleanup(async (cleanup) => {
      const disk = await smallDisk(cleanup, '2m');
      const path = join(disk, 'records.db');
      const records = openSample(path);
      const { done, begun, error } = fillUp(records);
      expect([error.code, error.exitStatus]).toEqual(['records.disk-full', 11]);
      expect(done.length).toBeGreaterThan(3);
      const expectKept = (from: Records) => {
        const views = from.listRecords();
        expect(views.map((r) => r.id).reverse()).toEqual(begun);
        expect(
          views
            .filter((r) => r.state === 'done')
            .map((r) => r.id)
            .reverse(),
        ).toEqual(done);
        for (const id of done) expect(isSameMap(from.readDigestMap(id), sampleMap(2000, id))).toBe(true);
      };
      expectKept(records);
      records.close();

      execFileSync('mount', ['-o', 'remount,size=16m', disk]);
      const again = openSample(path);
      expectKept(again);
      const next = again.beginJob(orchardJob);
      expect(next).toBeGreaterThan(begun.at(-1) ?? 0);
      again.close();
      const db = new Database(path);
      expect(db.pragma('integrity_check', { simple: true })).toBe('ok');
      db.close();
    });
  });

  it('refuses a new store by name when not even that fits', async () => {
    await withCleanup(async (cleanup) => {
      const disk = await smallDisk(cleanup, '64k');
      const room = statfsSync(disk);
      writeFileSync(join(disk, 'filler'), Buffer.alloc(room.bavail * room.bsize - 4096));
      expect(() => openSample(join(disk, 'records.db'))).toThrow(
        expect.objectContaining({ code: 'records.disk-full' }),
      );
      rmSync(join(disk, 'filler'));
    });
  });
});

describeWith(['linux', 'root', 'program:mount'], 'a disk that may only be read', () => {
  it('refuses a new store and an old one', async () => {
    await withCleanup(async (cleanup) => {
      const disk = await smallDisk(cleanup, '2m');
      const records = openSample(join(disk, 'records.db'));
      records.beginJob(orchardJob);
      records.close();
      execFileSync('mount', ['-o', 'remount,ro', disk]);
      for (const name of ['records.db', 'new.db', 'folder/records.db']) {
        expect(() => openSample(join(disk, name)).beginJob(orchardJob)).toThrow(
          expect.objectContaining({ code: 'records.not-writable', exitStatus: 11 }),
        );
      }
    });
  });
});

describeWith(['linux', 'root', 'program:setpriv'], 'a folder that may not be written', () => {
  it('refuses a new store and an old one, also where the caller is its owner', async () => {
    await withCleanup(async (cleanup) => {
      const folder = await makeWorkFolder(cleanup);
      const child = join(folder, 'child.mjs');
      await bundleChild(
        `import { isSameMap, openSample, orchardJob } from './sample.ts';
         try { openSample(process.argv[2]).beginJob(orchardJob); console.log('opened'); }
         catch (error) { console.log(error.code, error.exitStatus); }`,
        child,
      );
      const store = join(folder, 'store');
      openSample(join(store, 'records.db')).close();
      chmodSync(store, 0o500);
      const drop = '-dac_override,-dac_read_search';
      const answers = ['records.db', 'new.db'].map((name) =>
        spawnSync('setpriv', [`--bounding-set=${drop}`, process.execPath, child, join(store, name)], {
          encoding: 'utf8',
        }).stdout.trim(),
      );
      expect(answers).toEqual(['records.cannot-open 11', 'records.cannot-open 11']);
    });
  });
});
