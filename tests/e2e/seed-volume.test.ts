/** A plan that asks for a seed volume at the card's far end, by the real command line on a real block device. */
import { execFileSync, spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { parse, stringify } from 'yaml';
import { makeRehearsalPlan } from '../../src/rehearsal/make-plan.ts';
import { overwrite } from '../image/recipes.ts';
import { makeRootVolume } from '../image/root-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { expectFree } from './lying-media.ts';
import { runTool, type TestStation, withStation } from './run-tool.ts';

const mib = 2 ** 20;
const seedBytes = 36 * mib;
/** A first-boot program as it is by itself: it looks for the label cidata (cloud-init, "NoCloud"). */
const tree = {
  'var/lib/dpkg/status': 'Package: cloud-init\nStatus: install ok installed\nVersion: 22.4.2-1+deb12u3\n',
  'etc/cloud/cloud.cfg': '{}\n',
  'usr/sbin/netplan': 'x',
};

type Kind = 'MBR' | 'packed GPT';

/** An image of one ext4 volume with cloud-init inside, entered in a table; 16 MiB and the room for the table. */
const prepare = (kind: Kind, seedVolume: 'none' | 'far-end') => async (folder: string) => {
  const root = fs.readFileSync(makeRootVolume(folder, 'root.img', tree));
  const plain = join(folder, 'node-os.img');
  fs.writeFileSync(plain, '');
  fs.truncateSync(plain, root.length + (kind === 'MBR' ? 1 : 2) * mib);
  const label = kind === 'MBR' ? 'label: dos' : 'label: gpt';
  const script = `${label}\nstart=2048, size=${root.length / 512}\n`;
  execFileSync('sfdisk', ['-q', plain], { input: script });
  overwrite(plain, mib, root);
  if (kind === 'packed GPT') execFileSync('xz', ['-0', plain]);
  const image = kind === 'MBR' ? plain : `${plain}.xz`;
  const path = makeRehearsalPlan(folder, 2, image);
  fs.writeFileSync(path, stringify({ ...parse(fs.readFileSync(path, 'utf8')), seedVolume }));
  return { image, plan: path };
};

const onStation = (
  cardBytes: number,
  prepareImage: ReturnType<typeof prepare>,
  body: (station: TestStation, disk: LoopDisk) => Promise<void>,
) =>
  withLoopDisk({ sizeBytes: cardBytes, backing: 'tmpfs' }, (disk) =>
    withStation([disk.node], prepareImage, (station) => body(station, disk)),
  );

async function argsFor(station: TestStation, disk: LoopDisk, node: string): Promise<string[]> {
  return ['--plan', station.plan, '--node', node, '--confirm', await station.codeOf(disk.node)];
}

async function writeNode(station: TestStation, disk: LoopDisk) {
  const args = await argsFor(station, disk, 'orchard-01');
  return station.start('write', station.image, disk.node, ...args);
}

function run(program: string, ...args: string[]) {
  const { status, stdout, stderr } = spawnSync(program, args, { encoding: 'utf8' });
  return { status, said: stdout + stderr };
}

function partitionsOf(medium: string): { start: number; size: number }[] {
  return JSON.parse(execFileSync('sfdisk', ['--json', medium], { encoding: 'utf8' })).partitiontable
    .partitions;
}

/** By the reference tools: the table, the root volume as it was in the image, the seed volume and its files. */
async function expectSound(station: TestStation, disk: LoopDisk, kind: Kind, node: string): Promise<number> {
  const medium = disk.backingPath;
  expect(run('sfdisk', '--verify', medium)).toMatchObject({ status: 0 });
  if (kind === 'packed GPT') expect(run('sgdisk', '-v', medium).said).toContain('No problems found');
  const partitions = partitionsOf(medium);
  expect(partitions).toHaveLength(2);
  const seed = partitions[1] ?? { start: 0, size: 0 };
  expect(seed.size * 512).toBe(seedBytes);
  // At the far end: not a MiB more would fit behind it.
  expect((seed.start + seed.size) * 512).toBeGreaterThan(fs.statSync(medium).size - 2 * mib);
  expect(run('e2fsck', '-f', '-n', `${medium}?offset=${mib}`)).toMatchObject({ status: 0 });
  const copy = join(station.folder, 'seed.img');
  fs.writeFileSync(copy, await disk.readMedium(seed.start * 512, seedBytes));
  expect(run('fsck.vfat', '-n', copy)).toMatchObject({ status: 0 });
  expect(execFileSync('blkid', ['-p', '-o', 'value', '-s', 'LABEL', copy], { encoding: 'utf8' })).toBe(
    'CIDATA\n',
  );
  const userData = execFileSync('mtype', ['-i', copy, '::user-data'], { encoding: 'utf8' });
  expect(parse(userData)).toMatchObject({ hostname: node });
  return seed.start * 512;
}

const tools = [
  ...(['loop', 'tmpfs-direct-io', 'program:mkfs.ext4', 'program:sfdisk', 'program:sgdisk'] as const),
  ...(['program:fsck.vfat', 'program:mtype', 'program:xz', 'program:growpart'] as const),
];

describeWith(tools, 'an image of one root volume and no boot volume', { timeoutMs: 120_000 }, () => {
  it('is refused with a seed volume as the way out, and inspect says that one can be made', () =>
    onStation(32 * mib, prepare('MBR', 'none'), async (station, disk) => {
      const before = await disk.sha256OfMedium();
      const end = await (await writeNode(station, disk)).end;
      expect(end.status, end.stdout + end.stderr).toBe(8);
      expect(end.lines.at(-1)).toMatchObject({
        code: 'identity.no-way-in',
        card: 'untouched',
        what: expect.stringContaining('there is no FAT volume'),
        next: expect.stringMatching(/^Put "seedVolume: far-end" into the plan, or/),
      });
      expect(await disk.sha256OfMedium()).toBe(before);
      const { stdout } = await runTool(['inspect', station.image]);
      const text = stdout.replace(/\s+/g, ' ');
      expect(text).toContain('can be made at the card’s far end (seedVolume: far-end in the plan)');
    }));

  it('is refused on a card without room for both, with numbers', () =>
    onStation(32 * mib, prepare('MBR', 'far-end'), async (station, disk) => {
      const before = await disk.sha256OfMedium();
      const end = await (await writeNode(station, disk)).end;
      expect(end.status, end.stdout + end.stderr).toBe(3);
      const facts = { diskBytes: 32 * mib, imageBytes: 17 * mib, seedBytes, missingBytes: 21 * mib };
      expect(JSON.stringify(end.lines)).toContain('guard.too-small-for-seed');
      expect(end.lines.at(-1)).toMatchObject({ findings: [{ code: 'guard.too-small-for-seed', facts }] });
      expect(await disk.sha256OfMedium()).toBe(before);
    }));

  it.each(['MBR', 'packed GPT'] as const)(
    'gets one at the far end of its card, which later commands find again (%s)',
    (kind) =>
      onStation(64 * mib, prepare(kind, 'far-end'), async (station, disk) => {
        const written = await (await writeNode(station, disk)).end;
        expect(written.status, written.stdout + written.stderr).toBe(0);
        expect(JSON.stringify(written.lines)).toContain('"seed.made"');
        await expectSound(station, disk, kind, 'orchard-01');
        expect((await station.run('verify', disk.node)).status).toBe(0);

        const args = await argsFor(station, disk, 'orchard-02');
        const again = await station.run('personalize', disk.node, ...args);
        expect(again.status, again.stdout + again.stderr).toBe(0);
        const seedStart = await expectSound(station, disk, kind, 'orchard-02');
        const identified = await station.run('identify', disk.node);
        expect(identified.lines.at(-1)).toMatchObject({
          known: [{ node: 'orchard-02', set: 'orchard', recordId: 2, matchedBy: 'identity' }],
          onTheCard: { node: 'orchard-02', set: 'orchard' },
        });
        expect((await station.run('verify', disk.node)).status).toBe(0);

        // As the node does it at its first start; on a copy, since the card is looked at once more (growpart(1)).
        const grown = join(station.folder, 'grown.img');
        fs.copyFileSync(disk.backingPath, grown);
        expect(run('growpart', grown, '1').said).toMatch(/^CHANGED: partition=1 /);
        const [root, seed] = partitionsOf(grown);
        expect(root && (root.start + root.size) * 512).toBeGreaterThan(seedStart - 2 * mib);
        expect(root && (root.start + root.size) * 512).toBeLessThanOrEqual(seedStart);
        expect(seed?.start).toBe(seedStart / 512);
        if (kind === 'packed GPT') expect(run('sgdisk', '-v', grown).said).toContain('No problems found');

        overwrite(disk.backingPath, seedStart + 35 * mib + 100, Buffer.from([0xde, 0xad]));
        const damaged = await station.run('verify', disk.node);
        expect(damaged.status).toBe(6);
        expect(damaged.lines.at(-1)).toMatchObject({
          damage: [{ offset: seedStart + 35 * mib, length: mib, partition: 2 }],
        });
      }),
  );

  it('leaves nothing that starts where the job is killed while the seed volume is being made', () =>
    onStation(64 * mib, prepare('packed GPT', 'far-end'), async (station, disk) => {
      const job = await writeNode(station, disk);
      await job.seen(
        (line) => line.type === 'phase' && line.phase === 'personalize' && line.state === 'begin',
      );
      job.child.kill('SIGKILL');
      await job.end;
      await expectFree(disk.node);
      expect((await disk.readMedium(0, mib)).every((byte) => byte === 0)).toBe(true);
      const record = await station.run('records', '1');
      expect(record.lines.at(-1)).toMatchObject({ state: 'interrupted', cardState: 'unbootable' });
      const again = await (await writeNode(station, disk)).end;
      expect(again.status, again.stdout + again.stderr).toBe(0);
      await expectSound(station, disk, 'packed GPT', 'orchard-01');
    }));
});
