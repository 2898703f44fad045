import { execFileSync, spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { rehearsalImageBytes } from '../../src/rehearsal/make-image.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { makeOrchard } from './make-orchard.ts';
import { runTool, type TestStation, type ToolEnd, withStation } from './run-tool.ts';

const mib = 2 ** 20;
const bootStart = 4 * mib;
const bootBytes = 20 * mib;
const cardBytes = 64 * mib;

const onLoop = (body: (station: TestStation, disk: LoopDisk) => Promise<void>) =>
  withLoopDisk({ sizeBytes: cardBytes, backing: 'tmpfs' }, (disk) =>
    withStation([disk.node], makeOrchard, (station) => body(station, disk)),
  );

async function writeNode(station: TestStation, disk: LoopDisk, node = 'orchard-02') {
  const code = await station.codeOf(disk.node);
  return station.run(
    'write',
    station.image,
    disk.node,
    '--plan',
    station.plan,
    '--node',
    node,
    '--confirm',
    code,
  );
}

async function expectWritten(station: TestStation, disk: LoopDisk): Promise<void> {
  const written = await writeNode(station, disk);
  expect(written.status, written.stdout + written.stderr).toBe(0);
}

/** The boot volume as it lies on the medium, for the reference tools. */
async function copyBootVolume(station: TestStation, disk: LoopDisk): Promise<string> {
  const path = join(station.folder, 'boot.img');
  fs.writeFileSync(path, await disk.readMedium(bootStart, bootBytes));
  return path;
}

function fileStates({ lines }: ToolEnd): Record<string, string> {
  const files = (lines.at(-1)?.files ?? []) as { path: string; state: string }[];
  return Object.fromEntries(files.map(({ path, state }) => [path, state]));
}

/** The same policy with nobody's records: a process of its own, whichever way the rest goes. */
const elsewhereOptions = ({ folder }: TestStation) => [
  ...['--direct', '--json', '--policy', join(folder, 'policy.yaml')],
  ...['--records', join(folder, 'elsewhere', 'records.db')],
];

const tools = ['loop', 'tmpfs-direct-io', 'program:fsck.vfat', 'program:mcopy'] as const;

describeWith(tools, 'one image onto one card, on a real block device', { timeoutMs: 120_000 }, () => {
  it('writes, personalizes, reads back and seals; and knows the card days later', () =>
    onLoop(async (station, disk) => {
      const written = await writeNode(station, disk);
      expect(written.status, written.stdout + written.stderr).toBe(0);
      const end = written.lines.find((line) => line.type === 'done');
      expect(end).toMatchObject({
        card: 'done',
        recordId: 1,
        node: 'orchard-02',
        bytesReadBack: rehearsalImageBytes,
      });
      // The kernel's counter, field 3 of the disk's stat: every covered sector was really read from the device.
      expect(end?.sectorsRead).toBeGreaterThanOrEqual(rehearsalImageBytes / 512);

      // All but the boot volume is the image, byte for byte, read from the medium and not through the device.
      const image = fs.readFileSync(station.image);
      expect((await disk.readMedium(0, bootStart)).equals(image.subarray(0, bootStart))).toBe(true);
      const rest = bootStart + bootBytes;
      expect((await disk.readMedium(rest, image.length - rest)).equals(image.subarray(rest))).toBe(true);

      // The boot volume by reference tools (dosfstools, mtools).
      const boot = await copyBootVolume(station, disk);
      const check = spawnSync('fsck.vfat', ['-n', boot], { encoding: 'utf8' });
      expect(check.status, check.stdout).toBe(0);
      const userData = execFileSync('mtype', ['-i', boot, '::user-data'], { encoding: 'utf8' });
      expect(userData).toMatch(/^#cloud-config\n/);
      expect(userData).toContain('orchard-02');
      expect(userData).toContain('timezone: Etc/UTC');
      expect(execFileSync('mtype', ['-i', boot, '::network-config'], { encoding: 'utf8' })).toContain(
        '192.0.2.12/24',
      );
      expect(execFileSync('mtype', ['-i', boot, '::cmdline.txt'], { encoding: 'utf8' })).toContain(
        'rootwait',
      );

      const verified = await station.run('verify', disk.node);
      expect(verified.status, verified.stdout + verified.stderr).toBe(0);
      expect(verified.lines.at(-1)).toMatchObject({
        type: 'verify',
        verdict: 'good',
        record: 1,
        node: 'orchard-02',
      });

      const identified = await station.run('identify', disk.node);
      expect(identified.lines.at(-1)).toMatchObject({
        type: 'identify',
        known: [{ node: 'orchard-02', set: 'orchard', recordId: 1, matchedBy: 'identity' }],
        onTheCard: { node: 'orchard-02', set: 'orchard' },
        origin: 'ours',
      });
      const states = fileStates(identified);
      expect(states).toMatchObject({ 'user-data': 'as-written', 'meta-data': 'as-written' });
      expect(new Set(Object.values(states))).toEqual(new Set(['as-written']));
    }));

  it('tells of a card from the drawer what was changed on it, and whether it was made here', () =>
    onLoop(async (station, disk) => {
      await expectWritten(station, disk);
      const put = (name: string, text: string) =>
        execFileSync('mcopy', ['-o', '-i', `${disk.backingPath}@@${bootStart}`, '-', `::${name}`], {
          input: text,
        });
      put('meta-data', 'instance-id: by-hand\n');
      const changed = await station.run('identify', disk.node);
      expect(changed.lines.at(-1)).toMatchObject({ origin: 'ours' });
      expect(fileStates(changed)).toMatchObject({ 'meta-data': 'changed', 'user-data': 'as-written' });

      const elsewhere = await runTool(['identify', disk.node, ...elsewhereOptions(station)]);
      expect(elsewhere.status, elsewhere.stderr).toBe(0);
      expect(elsewhere.lines.at(-1)).toMatchObject({
        origin: 'not-ours',
        known: [],
        onTheCard: { node: 'orchard-02' },
      });
      expect(fileStates(elsewhere)).toMatchObject({ 'meta-data': 'changed', 'user-data': 'unproven' });

      const boot = await copyBootVolume(station, disk);
      const own = execFileSync('mtype', ['-i', boot, '::cardwright.node'], { encoding: 'utf8' });
      put('cardwright.node', own.replace('"orchard-02"', '"orchard-03"'));
      const altered = await station.run('identify', disk.node);
      expect(altered.lines.at(-1)).toMatchObject({ origin: 'altered', onTheCard: { node: 'orchard-03' } });
    }));

  it('gives a finished card to another node, leaving none of the first one behind', () =>
    onLoop(async (station, disk) => {
      await expectWritten(station, disk);
      const code = await station.codeOf(disk.node);
      const args = ['--plan', station.plan, '--node', 'orchard-01', '--confirm', code];
      const again = await station.run('personalize', disk.node, ...args);
      expect(again.status, again.stdout + again.stderr).toBe(0);
      const boot = await copyBootVolume(station, disk);
      const check = spawnSync('fsck.vfat', ['-n', boot], { encoding: 'utf8' });
      expect(check.status, check.stdout).toBe(0);
      for (const file of ['user-data', 'meta-data', 'network-config', 'cardwright.node']) {
        const text = execFileSync('mtype', ['-i', boot, `::${file}`], { encoding: 'utf8' });
        expect(text, file).not.toContain('orchard-02');
      }
      const identified = await station.run('identify', disk.node);
      expect(identified.lines.at(-1)).toMatchObject({ onTheCard: { node: 'orchard-01' } });
      expect((await station.run('verify', disk.node)).status).toBe(0);
    }));

  it('names damage that came later: which range, in which partition; and says so in the record', () =>
    onLoop(async (station, disk) => {
      await expectWritten(station, disk);
      const at = bootStart + bootBytes + 3 * mib + 100;
      const fd = fs.openSync(disk.backingPath, 'r+');
      fs.writeSync(fd, Buffer.from([0xde, 0xad]), 0, 2, at);
      fs.closeSync(fd);
      const verified = await station.run('verify', disk.node);
      expect(verified.status).toBe(6);
      expect(verified.lines.at(-1)).toMatchObject({
        verdict: 'bad',
        damage: [{ offset: bootStart + bootBytes + 3 * mib, length: mib, partition: 2 }],
      });
      const record = await station.run('records', '1');
      expect(record.lines.at(-1)).toMatchObject({ checks: [{ verdict: 'bad' }] });
    }));

  it('compares a card with an image, where nobody has its record', () =>
    onLoop(async (station, disk) => {
      const code = await station.codeOf(disk.node);
      const written = await station.run('write', station.image, disk.node, '--confirm', code);
      expect(written.status, written.stdout + written.stderr).toBe(0);
      fs.rmSync(join(station.folder, 'store'), { recursive: true });
      expect((await station.run('verify', disk.node)).status).toBe(10);
      const verified = await station.run('verify', disk.node, '--image', station.image);
      expect(verified.status, verified.stderr).toBe(0);
      fs.truncateSync(station.image, rehearsalImageBytes - mib);
      fs.truncateSync(station.image, rehearsalImageBytes);
      expect((await station.run('verify', disk.node, '--image', station.image)).status).toBe(6);
    }));

  it('writes a packed image through its decoder', () =>
    onLoop(async (station, disk) => {
      execFileSync('xz', ['-1', '-T2', '-k', station.image]);
      const packed = `${station.image}.xz`;
      const sha256 = execFileSync('sha256sum', [packed], { encoding: 'utf8' }).slice(0, 64);
      const args = ['--plan', station.plan, '--node', 'orchard-03', '--sha256', sha256];
      const written = await station.run(
        'write',
        packed,
        disk.node,
        ...args,
        '--confirm',
        await station.codeOf(disk.node),
      );
      expect(written.status, written.stdout + written.stderr).toBe(0);
      expect((await station.run('verify', disk.node)).status).toBe(0);
    }));

  it('points out what would make nodes collide, in a packed image too: looked for on the card', () =>
    onLoop(async (station, disk) => {
      const tree = join(station.folder, 'tree');
      fs.mkdirSync(join(tree, 'etc/ssh'), { recursive: true });
      fs.writeFileSync(join(tree, 'etc/os-release'), 'NAME=node\n');
      fs.writeFileSync(join(tree, 'etc/machine-id'), '0123456789abcdef0123456789abcdef\n');
      fs.writeFileSync(join(tree, 'etc/ssh/ssh_host_ed25519_key'), 'a key\n');
      const root = join(station.folder, 'root.img');
      fs.writeFileSync(root, '');
      fs.truncateSync(root, 16 * mib);
      execFileSync('mkfs.ext4', ['-q', '-d', tree, root]);
      const image = fs.readFileSync(station.image);
      fs.readFileSync(root).copy(image, bootStart + bootBytes);
      fs.writeFileSync(station.image, image);
      execFileSync('xz', ['-0', '-T2', station.image]);
      const code = await station.codeOf(disk.node);
      const written = await station.run('write', `${station.image}.xz`, disk.node, '--confirm', code);
      expect(written.status, written.stdout + written.stderr).toBe(0);
      const findings = (written.lines.at(-1)?.findings ?? []) as { code: string }[];
      const codes = findings.map((found) => found.code);
      expect(codes).toEqual(expect.arrayContaining(['image.machine-id-set', 'image.host-keys-inside']));
    }));
});
