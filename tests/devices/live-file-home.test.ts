import { mkdir } from 'node:fs/promises';
import { join } from 'node:path';
import { execa } from 'execa';
import { expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { findFileHome } from '../../src/devices/file-home.ts';
import { createLiveReader } from '../../src/devices/linux/live-reader.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { attach, fillFile, makeFile, mount } from './bench.ts';
import { focusReader } from './focus-reader.ts';

describeWith(['loop', 'program:mke2fs', 'program:findmnt'], 'the disks a real file lies on', () => {
  it('agree with findmnt for the machine itself, and go through a loop', async () => {
    await withCleanup(async (cleanup) => {
      const bench = { cleanup, folder: await makeWorkFolder(cleanup) };
      const file = await makeFile(bench, 'card', 16);
      await execa('mke2fs', ['-q', '-t', 'ext2', file]);
      const loop = await attach(bench, file);
      const inner = join(await mount(bench, `/dev/${loop}`, 'inside'), 'node-os.img');
      await fillFile(inner, 1);
      await mkdir(join(bench.folder, 'memory'));
      const memory = join(await mount(bench, 'tmpfs', 'memory', '-t', 'tmpfs'), 'node-os.img');
      await fillFile(memory, 1);

      const reader = focusReader(createLiveReader(), bench.folder, [loop]);
      const graph = await buildDeviceGraph(reader);
      const { stdout } = await execa('findmnt', ['--noheadings', '--output', 'SOURCE', '--target', file]);
      const { stdout: below } = await execa('lsblk', [
        '--noheadings',
        '--inverse',
        '--list',
        '--output',
        'NAME,TYPE',
        stdout,
      ]);
      const disks = below
        .split('\n')
        .map((line) => line.trim().split(/\s+/))
        .filter(([, type]) => type === 'disk')
        .map(([name]) => name);
      expect(await findFileHome(reader, graph, file)).toEqual({ disks, traced: true });
      expect(await findFileHome(reader, graph, inner)).toEqual({ disks: [loop, ...disks], traced: true });
      expect(await findFileHome(reader, graph, memory)).toEqual({ disks: [], traced: true });
    });
  });
});
