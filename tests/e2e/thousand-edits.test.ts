/**
 * A thousand edits by chance, one after the other on three volumes that live on; after each of them fsck.vfat
 * (dosfstools) has nothing to say, and mtools reads the tree that was to come out.
 */
import { execFileSync, spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { beforeAll, expect, it } from 'vitest';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { type BootVolume, openVolume } from '../../src/volume/open-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { codeOf, makeFat, sourceOf, wholeOf } from '../volume/fat-image.ts';

const mib = 2 ** 20;
const seed = Number(process.env.THOUSAND_EDITS_SEED ?? 1977);

const name = fc.constantFrom(
  'user-data',
  'USER-DATA',
  'meta-data',
  'ssh',
  'userconf.txt',
  'Config.txt',
  'cmdline.txt',
  'a name with blanks and more than thirteen letters.txt',
  'a name with blanks and more than twelve letters.txt',
  'feld-übersicht.md',
);
const folder = fc.constantFrom('', '', 'files/', 'Files/', 'files/below/', 'rows/');
const path = fc.tuple(folder, name).map(([before, last]) => `${before}${last}`);
const size = fc.oneof(
  fc.constantFrom(0, 1, 511, 512, 513, 2047, 2048, 2049),
  fc.nat({ max: 5000 }),
  fc.nat({ max: 150_000 }),
);
const edit = fc.oneof(
  {
    weight: 3,
    arbitrary: fc.record({ kind: fc.constant('write' as const), path, size, fill: fc.nat({ max: 255 }) }),
  },
  { weight: 1, arbitrary: fc.record({ kind: fc.constant('remove' as const), path }) },
);

type Edit = typeof edit extends fc.Arbitrary<infer T> ? T : never;

/** Does the edit on the volume and in the model; false where the volume is full. */
function takeEdit(volume: BootVolume, model: Map<string, Buffer>, one: Edit): boolean {
  const key = one.path.toLowerCase();
  if (one.kind === 'remove') {
    expect(volume.removeFile(one.path)).toBe(model.delete(key));
    return true;
  }
  const content = Buffer.alloc(one.size, one.fill);
  const code = codeOf(() => volume.writeFile(one.path, content));
  if (code === 'nothing was thrown') model.set(key, content);
  else expect(code).toBe('volume.full');
  return code !== 'volume.full';
}

/** Paths of all files below a folder, folded, with what is in them. */
function treeBelow(top: string, at = ''): Map<string, Buffer> {
  const found = new Map<string, Buffer>();
  for (const entry of fs.readdirSync(join(top, at), { withFileTypes: true })) {
    const inner = join(at, entry.name);
    if (entry.isDirectory()) for (const [key, content] of treeBelow(top, inner)) found.set(key, content);
    else found.set(inner.toLowerCase(), fs.readFileSync(join(top, inner)));
  }
  return found;
}

function readByMtools(medium: string, place: string): Map<string, Buffer> {
  fs.rmSync(place, { recursive: true, force: true });
  fs.mkdirSync(place);
  // Without anything in the root folder mcopy says so and ends with 1.
  const listed = execFileSync('mdir', ['-b', '-i', medium, '::/'], { encoding: 'utf8' });
  const env = { ...process.env, LC_ALL: 'C.UTF-8' };
  if (listed.trim() !== '')
    execFileSync('mcopy', ['-s', '-n', '-i', medium, '::/*', place], { env, stdio: 'pipe' });
  return treeBelow(place);
}

/** Fingerprints, so that a difference is shown in words and not in megabytes. */
const told = (tree: ReadonlyMap<string, Buffer>) =>
  [...tree].map(([key, content]) => `${key}: ${content.length} × ${content[0] ?? ''}`).sort();

const tools = ['program:mkfs.vfat', 'program:fsck.vfat', 'program:mcopy', 'program:mdir'] as const;

describeWith(tools, `a thousand edits, seed ${seed}`, { timeoutMs: 900_000 }, () => {
  beforeAll(async () => void (await loadFat()));

  it.each([
    ['FAT12, 2 MiB', ['-F', '12'], 2, 450],
    ['FAT16, 3 MiB', ['-F', '16', '-s', '1'], 3, 450],
    ['FAT32, 34 MiB', ['-F', '32', '-s', '1'], 34, 100],
  ] as [string, string[], number, number][])('on %s', (_title, args, sizeMib, count) =>
    withCleanup(async (cleanup) => {
      const place = await makeWorkFolder(cleanup, '/dev/shm');
      const medium = join(place, 'volume');
      const image = makeFat([...args, '-n', 'BOOTFS'], sizeMib * mib);
      fs.writeFileSync(medium, image);
      const file = fs.openSync(medium, 'r+');
      const model = new Map<string, Buffer>();
      let full = 0;
      try {
        for (const [at, one] of fc.sample(edit, { numRuns: count, seed }).entries()) {
          const volume = openVolume(sourceOf(image), wholeOf(image));
          if (!takeEdit(volume, model, one)) full += 1;
          for (const { offset, data } of volume.changes()) {
            Buffer.from(data).copy(image, offset);
            fs.writeSync(file, data, 0, data.length, offset);
          }
          volume.close();
          const check = spawnSync('fsck.vfat', ['-n', medium], { encoding: 'utf8' });
          expect(check.status, `edit ${at}: ${check.stdout}`).toBe(0);
          const seen = readByMtools(medium, join(place, 'tree'));
          expect(told(seen), `edit ${at}`).toEqual(told(model));
          for (const [path, content] of model) expect(seen.get(path)?.equals(content), path).toBe(true);
        }
      } finally {
        fs.closeSync(file);
      }
      // Some may find no room; most do.
      expect(full).toBeLessThan(count / 2);
    }),
  );
});
