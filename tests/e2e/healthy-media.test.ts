/**
 * A hundred seeded jobs on healthy media: other images, containers, plans, sector sizes and sizes of cards each time,
 * every card full of somebody's old data. None of them may end in anything but "done", nor mention the medium at all.
 */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { expect, it } from 'vitest';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { seededOffset } from '../lab/fault-disk/fault.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { type JobKit, openJobKit, runJobOn, withJobKit } from './job-on-disk.ts';
import { expectHonestSuccess, makeUsed, mib } from './lying-media.ts';
import { bootInHeadShape, type SmallImageShape, usualShape } from './small-image.ts';

const runCount = Number(process.env.HEALTHY_MEDIA_RUNS ?? 100);
const firstSeed = Number(process.env.HEALTHY_MEDIA_SEED ?? 1);

/** The last MiB of an image is whole, a few sectors, or one sector; the boot volume lies in the head or past it. */
const shapes: SmallImageShape[] = [
  { ...usualShape, seed: 11 },
  { ...usualShape, sizeBytes: 3 * mib + 4096, seed: 12 },
  { ...usualShape, sizeBytes: 4 * mib - 4096, seed: 13 },
  { ...bootInHeadShape, sizeBytes: 3 * mib + 40_960, seed: 14 },
];

const packers: Record<string, [string, string[]]> = {
  gz: ['gzip', ['-1', '-k']],
  xz: ['xz', ['-0', '-k']],
  zst: ['zstd', ['-q', '-1', '-k']],
};

/** The same image raw and packed; what a job takes beside its card. */
async function withKits<T>(shape: SmallImageShape, body: (kits: JobKit[]) => Promise<T>): Promise<T> {
  return withJobKit(shape, async (raw) => {
    const kits = [raw];
    for (const [ending, [program, args]] of Object.entries(packers)) {
      execFileSync(program, [...args, raw.imagePath]);
      const packed = await openJobKit(raw.folder, `node-os.img.${ending}`);
      // What the card has to hold is told by the unpacked file.
      kits.push({ ...packed, imagePath: raw.imagePath });
    }
    return body(kits);
  });
}

function withAllKits<T>(body: (kits: JobKit[]) => Promise<T>, from = 0, kits: JobKit[] = []): Promise<T> {
  const shape = shapes[from];
  if (!shape) return body(kits);
  return withKits(shape, (more) => withAllKits(body, from + 1, [...kits, ...more]));
}

async function expectNoAlarm(disk: LoopDisk, kit: JobKit, seed: number): Promise<void> {
  const hasNode = seededOffset(seed + 5000, 4, 1) > 0;
  const why = `seed ${seed}: ${kit.image.facts.path}${hasNode ? '' : ' without a node'}`;
  makeUsed(disk);
  const end = await runJobOn(disk, kit, hasNode ? {} : { node: null });
  const alarms = end.events.filter(({ type }) => type === 'finding' || type === 'stall');
  expect(alarms, why).toEqual([]);
  if (hasNode) return expectHonestSuccess(end, disk, kit, why);
  expect(end.error?.message ?? null, why).toBeNull();
  expect(end.record, why).toMatchObject({ state: 'done', cardState: 'done', code: null });
  const image = fs.readFileSync(kit.imagePath);
  expect((await disk.readMedium(0, image.length)).equals(image), why).toBe(true);
}

describeWith(
  ['loop', 'tmpfs-direct-io', 'program:gzip', 'program:xz', 'program:zstd', 'program:mcopy'],
  'a healthy medium',
  { timeoutMs: 600_000 },
  () => {
    it('never raises an alarm', async () => {
      process.stderr.write(`healthy media: HEALTHY_MEDIA_SEED=${firstSeed}\n`);
      const seeds = Array.from({ length: runCount }, (_, at) => firstSeed * 10_000 + at);
      let quiet = 0;
      await withAllKits(async (kits) => {
        const lane = (card: { sizeBytes: number; sectorBytes: 512 | 4096 }) =>
          withLoopDisk({ ...card, backing: 'tmpfs' }, async (disk) => {
            for (let seed = seeds.shift(); seed !== undefined; seed = seeds.shift()) {
              const kit = kits[seededOffset(seed, kits.length, 1)];
              if (!kit) throw new Error('no image');
              await expectNoAlarm(disk, kit, seed);
              quiet++;
            }
          });
        await Promise.all([
          lane({ sizeBytes: 8 * mib, sectorBytes: 512 }),
          lane({ sizeBytes: 6 * mib + 4096, sectorBytes: 4096 }),
        ]);
      });
      expect(quiet).toBe(runCount);
      recordFigure('good cards called damaged', runCount - quiet, `${runCount} healthy cards`);
    });
  },
);
