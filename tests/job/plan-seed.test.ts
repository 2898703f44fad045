import fs from 'node:fs';
import path from 'node:path';
import { beforeAll, expect, it } from 'vitest';
import { adviseOn } from '../../src/contract/finding.ts';
import type { Plan } from '../../src/contract/plan.ts';
import { withoutVolume } from '../../src/identity/detect-mechanism.ts';
import { inspectImage } from '../../src/image/inspect-image.ts';
import { checkPlanImage } from '../../src/job/station/check-plan-image.ts';
import { materialsOnDisk } from '../../src/job/station/materials-on-disk.ts';
import { bytesForSeed, placeSeed } from '../../src/job/station/place-seed.ts';
import { offerSeed, wishSeed } from '../../src/job/station/plan-seed.ts';
import { foreseeOnImage, lookAtOwn, withImageVolume } from '../../src/job/station/preview-edit.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { makeVolume } from '../../src/volume/format-volume.ts';
import { orchardNode, orchardPlan } from '../identity/orchard.ts';
import { overwrite, run, sparseFile, workFolder } from '../image/recipes.ts';
import { makeRootVolume, type Tree } from '../image/root-volume.ts';
import { describeWith } from '../lab/capabilities.ts';

const folder = workFolder();
const mib = 2 ** 20;
const bootBytes = 8 * mib;
/** A first-boot program as it is by itself: it looks for the label cidata (cloud-init, "NoCloud"). */
const program: Tree = {
  'usr/bin/cloud-init': '#!/usr/bin/python3\n',
  'etc/cloud/cloud.cfg': 'disable_root: true\n',
};
/** A unit that is started with the system and moves the root volume's end to the disk's last sector. */
const grower: Tree = {
  'etc/systemd/system/multi-user.target.wants/grow.service': { link: '/usr/lib/systemd/system/grow.service' },
  'usr/lib/systemd/system/grow.service': '[Service]\nType=oneshot\nExecStart=/usr/lib/node-os/grow\n',
  'usr/lib/node-os/grow': '#!/bin/sh\nparted -s /dev/mmcblk0 resizepart 1 100%\n',
};
const far = orchardPlan({}, { seedVolume: 'far-end' });
let made = 0;

interface Shape {
  tree?: Tree;
  /** no entry of the table is left */
  full?: boolean;
  /** of a FAT volume before the root volume; none where left out */
  boot?: { label: string; files: Record<string, string> };
}

/** An image of a root volume that ends with its last byte, and a boot volume before it where one is asked for. */
function makeImage({ tree = program, boot, full = false }: Shape): string {
  made += 1;
  const root = fs.readFileSync(makeRootVolume(folder, `root-${made}`, tree));
  const rootStart = mib + (boot ? bootBytes : 0) + (full ? mib : 0);
  const file = sparseFile(path.join(folder, `node-os-${made}.img`), rootStart + root.length);
  const lines = [
    ...(boot ? [`start=2048, size=${bootBytes / 512}, type=c`] : []),
    `start=${rootStart / 512}, type=83`,
    // A sector each, before all others.
    ...(full ? [2048, 2050, 2052].map((start) => `start=${start}, size=1, type=da`) : []),
  ];
  run('sfdisk', ['-q', file], `label: dos\n${lines.join('\n')}\n`);
  overwrite(file, rootStart, root);
  if (!boot) return file;
  const volume = path.join(folder, `boot-${made}`);
  fs.writeFileSync(volume, makeVolume(bootBytes, boot.files));
  run('fatlabel', [volume, boot.label]);
  overwrite(file, mib, fs.readFileSync(volume));
  return file;
}

async function filesFor(image: string, plan: Plan) {
  const facts = await inspectImage(image, { decode: 'when-needed' });
  return (await foreseeOnImage(facts, { plan, node: orchardNode(), materials: materialsOnDisk }, '0.0.0'))
    .changes;
}

beforeAll(async () => void (await loadFat()));

const tools = ['program:mkfs.ext4', 'program:sfdisk', 'program:fatlabel'] as const;

describeWith(tools, 'a seed volume that a plan asks for', { timeoutMs: 60_000 }, () => {
  it('takes the node’s files of an image that is one root volume', async () => {
    const files = await filesFor(makeImage({}), far);
    const names = files.map((file) => file.path);
    expect(names).toEqual(expect.arrayContaining(['user-data', 'meta-data', 'network-config']));
  });

  it('is never made without being asked for, and is the way out', async () => {
    const refusal = await filesFor(makeImage({}), orchardPlan()).catch((error) => error);
    expect(refusal).toMatchObject({ code: 'identity.no-way-in', card: 'untouched' });
    expect(adviseOn(refusal)).toMatch(/^Put "seedVolume: far-end" into the plan/);
  });

  it('is the way out of a boot volume that the image does not read, too', async () => {
    const image = makeImage({ boot: { label: 'FIRMWARE', files: { 'start.elf': 'firmware' } } });
    const refusal = await filesFor(image, orchardPlan()).catch((error) => error);
    expect(refusal).toMatchObject({ code: 'identity.no-way-in' });
    expect(adviseOn(refusal)).toMatch(/^Put "seedVolume: far-end" into the plan/);
    expect((await filesFor(image, far)).map((file) => file.path)).toContain('user-data');
  });

  it.each([
    [
      'a unit takes all of the card',
      { tree: { ...program, ...grower } },
      'seed.root-takes-all',
      'grow.service',
    ],
    [
      'a script on the kernel line does',
      { boot: { label: 'FIRMWARE', files: { 'cmdline.txt': 'quiet init=/usr/lib/init_resize.sh\n' } } },
      'seed.root-takes-all',
      'init=/usr/lib/init_resize.sh',
    ],
    ['there is no first-boot program', { tree: {} }, 'seed.nobody-reads', 'no first-boot program'],
    [
      'the image’s own volume has that label',
      { boot: { label: 'CIDATA', files: {} } },
      'seed.second-volume',
      'CIDATA',
    ],
    [
      'the image’s own boot volume is read',
      {
        boot: { label: 'FIRMWARE', files: { 'user-data': '', 'meta-data': '' } },
        tree: {
          ...program,
          'etc/cloud/cloud.cfg': 'datasource: { NoCloud: { fs_label: FIRMWARE } }\n',
        },
      },
      'seed.not-needed',
      'user-data',
    ],
  ] as [string, Shape, string, string][])('is refused where %s', async (_title, shape, code, said) => {
    const refusal = await filesFor(makeImage(shape), far).catch((error) => error);
    expect(refusal).toMatchObject({ code, card: 'untouched', message: expect.stringContaining(said) });
  });

  it('is neither offered nor made where there is no table', async () => {
    const bare = makeRootVolume(folder, 'bare.img', program);
    expect(await filesFor(bare, far).catch((error) => error)).toMatchObject({ code: 'seed.no-table' });
    const refusal = await filesFor(bare, orchardPlan()).catch((error) => error);
    expect(adviseOn(refusal)).not.toContain('seedVolume');
  });

  it.each([
    ['can be made', {}, { works: true, why: expect.stringContaining('looks for a volume labelled cidata') }],
    ['cannot be: a unit takes all of the card', { tree: { ...program, ...grower } }, { works: false }],
    [
      'cannot be: all entries are used',
      { full: true },
      { works: false, why: expect.stringContaining('entries') },
    ],
    ['is not asked about: the image’s own volume is read', { boot: { label: 'CIDATA', files: {} } }, null],
  ] as [string, Shape, object | null][])('is spoken of beforehand: %s', async (_title, shape, said) => {
    const facts = await inspectImage(makeImage(shape), { decode: 'when-needed' });
    const look = { mechanism: withoutVolume, kernelLine: '' };
    const own = facts.bootVolume
      ? await withImageVolume(facts, '', (volume) => lookAtOwn(facts, volume))
      : look;
    const outlook = await offerSeed(facts, own.mechanism, own.kernelLine);
    if (said === null) expect(outlook).toBeNull();
    else expect(outlook).toMatchObject(said);
  });

  it('is asked about by the check of a plan: what it carries, and what speaks against it', async () => {
    const check = (shape: Shape, changes: Partial<Plan>) => {
      const image = { file: makeImage(shape), sha256: null, sums: null, signature: null, keyring: null };
      const plan = { ...far, image, nodes: [orchardNode()], ...changes };
      const job = { port: { emit: () => undefined }, signal: new AbortController().signal };
      return checkPlanImage(plan, job).then(
        (inspection) => inspection?.mechanism.mechanism,
        (error) => error.code,
      );
    };
    expect(await check({}, {})).toBe('nocloud-label');
    expect(await check({}, { seedVolume: 'none' })).toBe('identity.no-way-in');
    expect(await check({ tree: { ...program, ...grower } }, {})).toBe('seed.root-takes-all');
  });

  it('has a place on a card with just the room that it asks for', async () => {
    const facts = await inspectImage(makeImage({}), { decode: 'when-needed' });
    const wish = await wishSeed(facts, far);
    if (!wish) throw new Error('nothing was wished for');
    const cardBytes = (facts.sizeBytes ?? 0) + bytesForSeed(wish);
    const { startByte, sizeBytes, partition } = placeSeed(wish, cardBytes);
    expect(partition).toBe(2);
    expect(startByte + sizeBytes).toBeLessThanOrEqual(cardBytes);
    expect(() => placeSeed(wish, cardBytes - 512)).toThrow();
  });
});
