import fc from 'fast-check';
import { beforeAll, expect, it } from 'vitest';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { type BootVolume, openVolume } from '../../src/volume/open-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import { applied, checkFat, codeOf, fatTools, makeFat, mtools, sourceOf, wholeOf } from './fat-image.ts';

const mib = 2 ** 20;

const name = fc.constantFrom(
  'user-data',
  'USER-DATA',
  'meta-data',
  'network-config',
  'ssh',
  'userconf.txt',
  'Config.txt',
  'a name with blanks and more than thirteen letters.txt',
  'README',
);
const folder = fc.constantFrom('', '', 'files/', 'Files/', 'files/below/');
const path = fc.tuple(folder, name).map(([before, last]) => `${before}${last}`);
const size = fc.oneof(
  fc.constantFrom(0, 1, 511, 512, 513, 2047, 2048, 2049, 65_536),
  fc.nat({ max: 20_000 }),
  fc.nat({ max: mib }),
);
const step = fc.oneof(
  {
    weight: 3,
    arbitrary: fc.record({ kind: fc.constant('write' as const), path, size, fill: fc.nat({ max: 255 }) }),
  },
  { weight: 1, arbitrary: fc.record({ kind: fc.constant('remove' as const), path }) },
);
type Step = typeof step extends fc.Arbitrary<infer T> ? T : never;

/** What ought to be there: contents by folded path. */
type Model = Map<string, Buffer>;

function take(volume: BootVolume, model: Model, one: Step): void {
  const key = one.path.toLowerCase();
  if (one.kind === 'remove') {
    expect(volume.removeFile(one.path)).toBe(model.delete(key));
    return;
  }
  const content = Buffer.alloc(one.size, one.fill);
  const code = codeOf(() => volume.writeFile(one.path, content));
  if (code === 'nothing was thrown') model.set(key, content);
  else expect(code).toBe('volume.full');
}

describeWith(fatTools, 'a hundred and more edits by chance', { timeoutMs: 60_000 }, () => {
  beforeAll(async () => {
    await loadFat();
  });

  // Seeded: 32 runs of 4 to 12 edits, each run checked by fsck.vfat and against a plain map.
  it.each([
    ['FAT12, 2 MiB', ['-F', '12'], 2, 10],
    ['FAT16, 3 MiB', ['-F', '16', '-s', '1'], 3, 10],
    ['FAT32, few clusters, 2 MiB', ['-F', '32', '-s', '1'], 2, 10],
    ['FAT32, 36 MiB', ['-F', '32', '-s', '1'], 36, 2],
  ] as [string, string[], number, number][])('%s', (_title, args, sizeMib, numRuns) => {
    const empty = makeFat([...args, '-n', 'BOOTFS'], sizeMib * mib);
    fc.assert(
      fc.property(fc.array(step, { minLength: 4, maxLength: 12 }), (steps) => {
        const model: Model = new Map();
        const half = Math.floor(steps.length / 2);
        let image = empty;
        // Two sittings: the second reads what the first wrote.
        for (const sitting of [steps.slice(0, half), steps.slice(half)]) {
          const volume = openVolume(sourceOf(image), wholeOf(image));
          expect(volume.findings).toEqual([]);
          for (const one of sitting) take(volume, model, one);
          for (const [key, content] of model) expect(content.equals(volume.readFile(key))).toBe(true);
          image = applied(image, volume.changes());
          volume.close();
        }
        expect(checkFat(image)).toMatchObject({ status: 0 });
        if (!args.includes('32')) {
          for (const [key, content] of [...model].slice(0, 2)) {
            expect(mtools(image, 'mtype', [`::/${key}`]) === content.toString('latin1')).toBe(true);
          }
        }
      }),
      { numRuns, seed: 42 },
    );
  });
});
