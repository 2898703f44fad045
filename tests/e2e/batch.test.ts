import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { openRecords } from '../../src/records/open-records.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { type TestStation, withStation } from './run-tool.ts';
import { usualShape, writeSmallImage } from './small-image.ts';

const mib = 2 ** 20;
const names = ['orchard-01', 'orchard-02', 'orchard-03'];

/** A packed image and three nodes. */
async function makeSmallOrchard(folder: string): Promise<{ image: string; plan: string }> {
  await loadFat();
  const image = join(folder, 'node-os.img');
  writeSmallImage(image, usualShape);
  execFileSync('xz', ['-0', image]);
  fs.writeFileSync(
    join(folder, 'grower.pub'),
    'ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAINdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea grower\n',
  );
  const plan = join(folder, 'orchard.yaml');
  const nodes = names.map(
    (name, at) => `  - { name: ${name}, slot: A${at + 1}, address: 192.0.2.${at + 11}/24 }`,
  );
  fs.writeFileSync(
    plan,
    [
      'plan: 1',
      'set: orchard',
      'image: { file: node-os.img.xz }',
      'access: { user: grower, authorizedKeys: [grower.pub] }',
      'hostKeys: create',
      'network: { gateway: 192.0.2.1, nameservers: [192.0.2.1] }',
      'nodes:',
      ...nodes,
      '',
    ].join('\n'),
  );
  return { image: `${image}.xz`, plan };
}

const withBench = (
  count: number,
  body: (station: TestStation, disks: LoopDisk[]) => Promise<void>,
  disks: LoopDisk[] = [],
): Promise<void> =>
  disks.length === count
    ? withStation(
        disks.map(({ node }) => node),
        makeSmallOrchard,
        (station) => body(station, disks),
      )
    : withLoopDisk({ sizeBytes: 16 * mib, backing: 'tmpfs', content: 'zeros' }, (disk) =>
        withBench(count, body, [...disks, disk]),
      );

type Line = Record<string, unknown>;
const is = (type: string, fields: Line) => (line: Line) =>
  line.type === type && Object.entries(fields).every(([key, value]) => line[key] === value);
const code = (of: string, reader: string) => (line: Line) =>
  line.type === 'card-seen' &&
  line.reader === reader &&
  (line.says as { code: string }[]).some((one) => one.code === of);

const stagedBy = (pid: number | undefined) =>
  fs.readdirSync('/var/tmp').filter((name) => name.startsWith(`cardwright-stage-${pid}-`));

const timeoutMs = 240_000;
describeWith(
  ['loop', 'tmpfs-direct-io', 'program:mkntfs'],
  'a batch on loop devices as readers',
  { timeoutMs },
  () => {
    it('makes every node on one reader by one code, knows a card that is done, and has nothing to do then', () =>
      withBench(1, async (station, [disk]) => {
        if (!disk) throw new Error('no disk');
        const approval = `${disk.node}=${await station.codeOf(disk.node)}`;
        const report = join(station.folder, 'report.html');
        const tool = station.start('batch', station.plan, '--confirm', approval, '--report', report);
        await tool.seen(is('card-done', { node: 'orchard-01' }));
        const first = disk.backingPath;
        const kept = join(station.folder, 'first-card');
        fs.copyFileSync(first, kept);
        await disk.changeCard({ content: 'zeros' });
        await tool.seen(is('card-done', { node: 'orchard-02' }));
        // The first card once more: recognised, and not written again.
        await disk.changeCard({ content: { file: kept } });
        const known = await tool.seen(code('batch.card-done', disk.node));
        expect(known.says).toMatchObject([{ facts: { node: 'orchard-01', record: 1 } }]);
        await disk.changeCard({ content: 'zeros' });
        const end = await tool.end;
        expect(end.status, end.stdout + end.stderr).toBe(0);
        expect(end.lines.at(-1)).toMatchObject({ type: 'report', path: report, batch: 1 });
        expect(fs.readFileSync(report, 'utf8')).toContain('3 of 3 nodes are done');
        expect(end.lines.at(-2)).toMatchObject({
          type: 'batch',
          outcome: 'done',
          nodes: names.map((node, at) => ({ node, slot: `A${at + 1}`, doneRecord: at + 1 })),
        });
        const records = openRecords(station.records, { now: Date.now });
        expect(records.readBatch(1)).toMatchObject({ state: 'done', recordIds: [1, 2, 3] });
        expect(records.readRecord(2)?.image).toMatchObject({ path: station.image, container: 'xz' });
        expect(records.readCurve(2).map(({ phase }) => phase)).toContain('write');
        records.close();
        const again = await station.run('batch', station.plan);
        expect(again.status, again.stdout).toBe(10);
        const verified = await station.run('verify', disk.node);
        expect(verified.lines.at(-1)).toMatchObject({ verdict: 'good', node: 'orchard-03' });
      }));

    it('works on two readers side by side; is killed while it writes, and goes on with what is not done', () =>
      withBench(2, async (station, [left, right]) => {
        if (!left || !right) throw new Error('no disks');
        // One look after the other: each finds what the other has open.
        const approve = async () => {
          const words: string[] = [];
          for (const { node } of [left, right]) {
            words.push('--confirm', `${node}=${await station.codeOf(node)}`);
          }
          return words;
        };
        const tool = station.start('batch', station.plan, ...(await approve()));
        const begun = await Promise.all(
          [left, right].map(({ node }) => tool.seen(is('job-begun', { reader: node }))),
        );
        expect(new Set(begun.map(({ node }) => node))).toEqual(new Set(['orchard-01', 'orchard-02']));
        await tool.seen((line) => line.type === 'card-done');
        tool.child.kill('SIGKILL');
        expect((await tool.end).signal).toBe('SIGKILL');
        expect(stagedBy(tool.child.pid)).toHaveLength(1);
        const records = openRecords(station.records, { now: Date.now });
        const made = records.listRecords({ states: ['done'] }).map(({ node }) => node);
        records.close();
        expect(made.length).toBeGreaterThan(0);
        for (const disk of [left, right]) {
          const node = begun.find(({ reader }) => reader === disk.node)?.node;
          if (made.includes(String(node))) await disk.changeCard({ content: 'zeros' });
        }

        const resumed = station.start('batch', station.plan, ...(await approve()));
        const next = await resumed.seen((line) => line.type === 'batch-begun');
        const missing = names.filter((name) => !made.includes(name));
        expect((next.nodes as { node: string }[]).map(({ node }) => node)).toEqual(missing);
        const end = await resumed.end;
        expect(end.status, end.stdout + end.stderr).toBe(0);
        expect(end.lines.at(-1)).toMatchObject({ outcome: 'done' });
        // What the killed one had unpacked is gone, and so is its own.
        expect([...stagedBy(tool.child.pid), ...stagedBy(resumed.child.pid)]).toEqual([]);
      }));

    it('says which done nodes the plan no longer matches, and makes again what was written over since', () =>
      withBench(1, async (station, [disk]) => {
        if (!disk) throw new Error('no disk');
        const { image, plan } = station;
        const made = await station.run(
          ...['write', image, disk.node, '--plan', plan, '--node', 'orchard-01'],
          ...['--confirm', await station.codeOf(disk.node)],
        );
        expect(made.status, made.stdout).toBe(0);
        fs.writeFileSync(plan, fs.readFileSync(plan, 'utf8').replace('192.0.2.11', '192.0.2.21'));
        await disk.changeCard({ content: 'zeros' });
        const only = ['batch', plan, '--only', 'orchard-02'];
        const second = await station.run(
          ...only,
          '--confirm',
          `${disk.node}=${await station.codeOf(disk.node)}`,
        );
        expect(second.status, second.stdout).toBe(0);
        expect(second.lines.filter(({ type }) => type === 'standing')).toMatchObject([
          {
            finding: {
              code: 'batch.no-longer-matches',
              facts: { node: 'orchard-01', record: 1, areas: 'network' },
            },
          },
        ]);
        expect(second.lines.find(({ type }) => type === 'batch-begun')?.nodes).toMatchObject([
          { node: 'orchard-02' },
        ]);
        expect((await station.run(...only)).status).toBe(10);

        // The second node's card goes to nobody: that node is to be made again, on a card that has to be asked about.
        const over = await station.run(
          'write',
          image,
          disk.node,
          '--confirm',
          await station.codeOf(disk.node),
        );
        expect(over.status, over.stdout).toBe(0);
        const left = await station.run(...only);
        expect(left.status, left.stdout).toBe(12);
        expect(left.lines.at(-1)).toMatchObject({ outcome: 'not-all-done' });
        const one = ['batch', plan, '--again', 'orchard-01', '--only', 'orchard-01'];
        const again = await station.run(
          ...one,
          '--confirm',
          `${disk.node}=${await station.codeOf(disk.node)}`,
        );
        expect(again.status, again.stdout).toBe(0);
        expect((await station.run('identify', disk.node)).lines.at(-1)).toMatchObject({ origin: 'ours' });
      }));

    it('overwrites unasked where the plan says so, but for what looks like somebody’s archive', () =>
      withBench(1, async (station, [disk]) => {
        if (!disk) throw new Error('no disk');
        fs.appendFileSync(station.plan, 'overwrite: any\n');
        const archive = join(station.folder, 'archive');
        fs.writeFileSync(archive, '');
        fs.truncateSync(archive, 16 * mib);
        execFileSync('mkntfs', ['-Q', '-F', '-q', '-L', 'HARVEST', archive]);
        const approval = `${disk.node}=${await station.codeOf(disk.node)}`;
        const tool = station.start('batch', station.plan, '--confirm', approval);
        await tool.seen(is('card-done', { node: 'orchard-01' }));
        await disk.changeCard({ content: 'old' });
        await tool.seen(is('card-done', { node: 'orchard-02' }));
        await disk.changeCard({ content: { file: archive } });
        const end = await tool.end;
        expect(end.status, end.stdout).toBe(12);
        expect(end.lines.at(-1)).toMatchObject({
          nodes: [{ doneRecord: 1 }, { doneRecord: 2 }, { doneRecord: null }],
        });
        const stored = await disk.readMedium(0, 16 * mib);
        expect(stored.equals(fs.readFileSync(archive))).toBe(true);
      }));
  },
);
