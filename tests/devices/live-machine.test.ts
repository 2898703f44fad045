/** The graph of the machine the tests run on, against lsblk and findmnt, with root and without. */
import { chmod, mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { execa } from 'execa';
import { expect, it } from 'vitest';
import type { DeviceGraph } from '../../src/contract/devices.ts';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { createLiveReader } from '../../src/devices/linux/live-reader.ts';
import { captureMachine } from '../../src/devices/replay/capture-machine.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { bundleProgram } from '../lab/bundle.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';

interface Listed {
  name: string;
  size: number;
  ro: boolean;
  'maj:min': string;
  'log-sec': number;
}

async function lsblk(): Promise<Map<string, Listed>> {
  const columns = 'NAME,SIZE,RO,MAJ:MIN,LOG-SEC';
  const { stdout } = await execa('lsblk', ['--json', '--bytes', '--nodeps', '--output', columns]);
  const { blockdevices } = JSON.parse(stdout) as { blockdevices: Listed[] };
  return new Map(blockdevices.filter(({ size }) => size > 0).map((one) => [one.name, one]));
}

describeWith(['loop', 'program:lsblk', 'program:findmnt'], 'this machine', () => {
  it('has the disks that lsblk lists, and / where findmnt sees it', async () => {
    await withLoopDisk({ sizeBytes: 8 << 20, backing: 'file', content: 'zeros' }, async (own) => {
      const listed = await lsblk();
      const graph = await buildDeviceGraph(createLiveReader(), { exemptPids: [process.pid] });
      // Others may attach loops at the same time; ours and the fixed disks stand still.
      const still = (name: string) => name === own.name || !name.startsWith('loop');
      expect(graph.disks.map(({ name }) => name).filter(still)).toEqual(
        [...listed.keys()].filter(still).toSorted(),
      );
      for (const disk of graph.disks.filter(({ name }) => still(name))) {
        const other = listed.get(disk.name);
        expect([disk.sizeBytes, disk.readOnly, disk.majorMinor, disk.logicalBlockBytes]).toEqual([
          other?.size,
          other?.ro,
          other?.['maj:min'],
          other?.['log-sec'],
        ]);
      }
      const { stdout } = await execa('findmnt', ['--noheadings', '--output', 'MAJ:MIN', '/']);
      const under = graph.disks.filter((disk) =>
        disk.uses.some(({ kind, what }) => kind === 'mount' && what === '/'),
      );
      const numbers = under.flatMap((disk) => [
        disk.majorMinor,
        ...disk.partitions.map((part) => part.majorMinor),
      ]);
      expect(numbers).toContain(stdout.trim());
    });
  });

  it('captured, replays', async () => {
    const { capture } = await captureMachine(createLiveReader(), 'this machine');
    const graph = await buildDeviceGraph(createReplayReader(capture));
    expect(graph.disks.length).toBeGreaterThan(0);
    expect(graph.disks.every(({ uses }) => uses.every(({ on }) => on !== ''))).toBe(true);
  });
});

describeWith(['loop', 'program:setpriv'], 'this machine without root', () => {
  it('is listed all the same, and says what it could not see', { timeout: 60_000 }, async () => {
    const folder = await mkdtemp(join(tmpdir(), 'cardwright-plain-user-'));
    try {
      await chmod(folder, 0o755);
      const program = join(folder, 'graph.mjs');
      await bundleProgram(
        `import { createLiveReader } from '../../src/devices/linux/live-reader.ts';
         import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
         console.log(JSON.stringify(await buildDeviceGraph(createLiveReader())));`,
        program,
      );
      await withLoopDisk({ sizeBytes: 8 << 20, backing: 'file', content: 'zeros' }, async (own) => {
        const drop = ['--reuid=65534', '--regid=65534', '--clear-groups'];
        const { stdout } = await execa('setpriv', [...drop, process.execPath, program], { cwd: '/' });
        const graph = JSON.parse(stdout) as DeviceGraph;
        const disk = graph.disks.find(({ name }) => name === own.name);
        expect(disk).toMatchObject({ sizeBytes: 8 << 20, kind: 'loop', signatures: null });
        expect(disk?.unseen).toContainEqual({
          what: `what stands on ${own.name}`,
          why: 'EACCES',
          decides: true,
        });
        expect(graph.unseen).toContainEqual({
          what: 'open descriptors of other processes',
          why: expect.stringContaining('EACCES'),
          decides: true,
        });
        // The backing file lies in a folder of root's alone: it leads to no disk that we could name.
        expect(graph.untraced.some((what) => what.startsWith(`${own.name} over `))).toBe(true);
        const under = graph.disks.filter(({ uses }) =>
          uses.some(({ kind, what }) => kind === 'mount' && what === '/'),
        );
        expect(under).not.toEqual([]);
      });
    } finally {
      await rm(folder, { recursive: true, force: true });
    }
  });
});
