/** What is set up on loop devices, and what the graph must then say; live and replayed go through the same words. */
import { link, mkdir, open, rm, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { execa } from 'execa';
import { expect } from 'vitest';
import type { DeviceGraph } from '../../src/contract/devices.ts';
import type { Requirement } from '../lab/capabilities.ts';
import {
  attach,
  attachPartitioned,
  type Bench,
  fillFile,
  makeFile,
  mount,
  startScript,
  swapOn,
} from './bench.ts';
import { diskOf, usesOf } from './graph-words.ts';

type Labels = Record<string, string>;

export interface Topology {
  name: string;
  note: string;
  needs?: Requirement[];
  /** sets it up; labels that name loops start with "loop" in their value */
  build: (bench: Bench) => Promise<Labels>;
  check: (graph: DeviceGraph, labels: Labels) => void;
}

const rootDisk = 'vda';

const makeExt2 = (node: string, ...options: string[]) =>
  execa('mke2fs', ['-q', '-t', 'ext2', ...options, node]);

export const topologies: readonly Topology[] = [
  {
    name: 'loop-plain',
    note: 'a loop device over a file, nothing on it',
    async build(bench) {
      const file = await makeFile(bench, 'card', 8);
      return { card: await attach(bench, file), file };
    },
    check(graph, { card = '', file = '' }) {
      const disk = diskOf(graph, card);
      expect(disk).toMatchObject({
        kind: 'loop',
        sizeBytes: 8 << 20,
        logicalBlockBytes: 512,
        readOnly: false,
        hidden: false,
        backingFile: file,
        partitions: [],
        signatures: [],
        uses: [],
        unseen: [],
        port: null,
      });
      expect(disk.diskseq).toBeGreaterThan(0);
      expect(usesOf(graph, rootDisk)).toContain(`loop-backing ${card} over ${file} on ${rootDisk}`);
    },
  },
  {
    name: 'loop-large-sectors',
    note: 'a loop device with 4096-byte sectors',
    async build(bench) {
      return { card: await attach(bench, await makeFile(bench, 'card', 8), '--sector-size', '4096') };
    },
    check(graph, { card = '' }) {
      expect(diskOf(graph, card)).toMatchObject({ sizeBytes: 8 << 20, logicalBlockBytes: 4096 });
    },
  },
  {
    name: 'loop-read-only',
    note: 'a read-only loop device',
    async build(bench) {
      return { card: await attach(bench, await makeFile(bench, 'card', 8), '--read-only') };
    },
    check(graph, { card = '' }) {
      expect(diskOf(graph, card).readOnly).toBe(true);
    },
  },
  {
    name: 'partitions',
    note: 'two partitions, FAT and ext2, neither mounted',
    needs: ['program:mkfs.vfat'],
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await execa('mkfs.vfat', ['-n', 'BOOT', `/dev/${card}p1`]);
      await makeExt2(`/dev/${card}p2`, '-L', 'a b$c"é');
      return { card };
    },
    check(graph, { card = '' }) {
      const disk = diskOf(graph, card);
      // sfdisk puts the first partition at 1 MiB (its default alignment), the second behind it.
      expect(
        disk.partitions.map(({ name, number, startBytes, sizeBytes }) => [
          name,
          number,
          startBytes,
          sizeBytes,
        ]),
      ).toEqual([
        [`${card}p1`, 1, 1 << 20, 16 << 20],
        [`${card}p2`, 2, 17 << 20, 47 << 20],
      ]);
      expect(disk.partitions.every(({ partUuid }) => /^[0-9a-f]{8}-0[12]$/.test(partUuid ?? ''))).toBe(true);
      expect(disk.signatures?.map(({ on, type, label, tableType }) => [on, type, label, tableType])).toEqual([
        [card, null, null, 'dos'],
        [`${card}p1`, 'vfat', 'BOOT', null],
        [`${card}p2`, 'ext2', 'a b$c"é', null],
      ]);
      expect(disk.uses).toEqual([]);
    },
  },
  {
    name: 'two-contents',
    note: 'the same blocks hold an ext2 and a btrfs superblock: ambivalent for blkid',
    needs: ['program:mkfs.btrfs'],
    async build(bench) {
      const file = await makeFile(bench, 'card', 160);
      await makeExt2(file);
      const before = await open(file, 'r+');
      const superblock = Buffer.alloc(1024);
      await before.read(superblock, 0, 1024, 1024);
      await execa('mkfs.btrfs', ['-q', '-f', file]);
      await before.write(superblock, 0, 1024, 1024);
      await before.close();
      return { card: await attach(bench, file) };
    },
    check(graph, { card = '' }) {
      const types = diskOf(graph, card).signatures?.map(({ type }) => type);
      expect(types?.toSorted()).toEqual(['btrfs', 'ext2']);
    },
  },
  {
    name: 'mounted',
    note: 'a partition is mounted at a place with a space in its name',
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await makeExt2(`/dev/${card}p2`);
      return { card, point: await mount(bench, `/dev/${card}p2`, 'my card') };
    },
    check(graph, { card = '', point = '' }) {
      expect(diskOf(graph, card).uses).toEqual([
        {
          kind: 'mount',
          what: point,
          on: `${card}p2`,
          through: [`${card}p2`],
          namespace: 'own',
          fsType: 'ext2',
          options: 'rw,relatime',
          pid: null,
        },
      ]);
      expect(usesOf(graph, rootDisk)).toContain(`mount ${point} on ${rootDisk} through ${card} > ${card}p2`);
    },
  },
  {
    name: 'mounted-in-another-namespace',
    note: 'a partition is mounted in the mount namespace of another process only',
    needs: ['program:unshare'],
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await makeExt2(`/dev/${card}p2`);
      const point = join(bench.folder, 'elsewhere');
      await mkdir(point);
      const wrapper = ['unshare', '--mount', '--propagation', 'private'];
      await startScript(bench, 'mount "$1" "$2" || exit 1', { wrapper, args: [`/dev/${card}p2`, point] });
      return { card, point };
    },
    check(graph, { card = '', point = '' }) {
      expect(diskOf(graph, card).uses).toMatchObject([
        { kind: 'mount', what: point, on: `${card}p2`, namespace: null, fsType: 'ext2' },
      ]);
    },
  },
  {
    name: 'mounted-and-busy',
    note: 'a partition is mounted, and a process has its working folder there',
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await makeExt2(`/dev/${card}p2`);
      const point = await mount(bench, `/dev/${card}p2`, 'busy');
      const pid = await startScript(bench, 'cd "$1"', { args: [point] });
      return { card, point, pid: String(pid) };
    },
    check(graph, { card = '', pid = '' }) {
      expect(diskOf(graph, card).uses).toContainEqual(
        expect.objectContaining({ kind: 'open-descriptor', on: `${card}p2`, pid: Number(pid) }),
      );
    },
  },
  {
    name: 'lazily-unmounted',
    note: 'a partition was unmounted lazily while a process has a file on it open',
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await makeExt2(`/dev/${card}p2`);
      const point = await mount(bench, `/dev/${card}p2`, 'lazy');
      const file = join(point, 'notes');
      await writeFile(file, 'held');
      const pid = await startScript(bench, 'exec 3< "$1"', { args: [file] });
      await execa('umount', ['--lazy', point]);
      // The scope unmounts once more; let it find something there.
      await execa('mount', ['--bind', bench.folder, point]);
      return { card, pid: String(pid), point };
    },
    check(graph, { card = '', pid = '' }) {
      const { uses } = diskOf(graph, card);
      expect(uses.map(({ kind }) => kind)).toEqual(['open-descriptor']);
      expect(uses).toMatchObject([{ on: `${card}p2`, pid: Number(pid) }]);
    },
  },
  {
    name: 'swap-partition',
    note: 'a partition is swapped to',
    needs: ['program:swapon'],
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await swapOn(bench, `/dev/${card}p2`);
      return { card };
    },
    check(graph, { card = '' }) {
      expect(usesOf(graph, card)).toEqual([`swap /dev/${card}p2 on ${card}p2 through ${card}p2`]);
    },
  },
  {
    name: 'swap-file',
    note: 'a file on a mounted partition is swapped to',
    needs: ['program:swapon'],
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await makeExt2(`/dev/${card}p2`);
      const point = await mount(bench, `/dev/${card}p2`, 'with swap');
      const file = join(point, 'swap file');
      await fillFile(file, 8);
      await swapOn(bench, file);
      return { card, file };
    },
    check(graph, { card = '', file = '' }) {
      expect(usesOf(graph, card)).toContain(`swap ${file} on ${card}p2 through ${card}p2`);
      expect(usesOf(graph, rootDisk)).toContain(`swap ${file} on ${rootDisk} through ${card} > ${card}p2`);
    },
  },
  {
    name: 'loop-over-partition',
    note: 'a second loop stands on a partition of the first and is mounted: the exclusive open does not see it',
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await makeExt2(`/dev/${card}p2`);
      const upper = await attach(bench, `/dev/${card}p2`);
      return { card, upper, point: await mount(bench, `/dev/${upper}`, 'through') };
    },
    check(graph, { card = '', upper = '', point = '' }) {
      expect(usesOf(graph, card)).toEqual([
        `loop-backing ${upper} over /dev/${card}p2 on ${card}p2 through ${card}p2`,
        `mount ${point} on ${card}p2 through ${card}p2 > ${upper}`,
      ]);
    },
  },
  {
    name: 'loop-over-file-on-card',
    note: 'a loop stands on a file on a mounted partition of another loop',
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      await makeExt2(`/dev/${card}p2`);
      const point = await mount(bench, `/dev/${card}p2`, 'holding');
      const file = join(point, 'inner');
      await fillFile(file, 4);
      return { card, file, upper: await attach(bench, file) };
    },
    check(graph, { card = '', upper = '', file = '' }) {
      expect(usesOf(graph, card)).toContain(
        `loop-backing ${upper} over ${file} on ${card}p2 through ${card}p2`,
      );
    },
  },
  {
    name: 'loop-over-deleted-file',
    note: 'the file behind a loop was deleted, and another one has its name now',
    async build(bench) {
      const file = await makeFile(bench, 'card', 8);
      const card = await attach(bench, file);
      await rm(file);
      await fillFile(file, 1);
      await link(file, join(bench.folder, 'second name'));
      return { card, file };
    },
    check(graph, { card = '', file = '' }) {
      expect(diskOf(graph, card).backingFile).toBe(`${file} (deleted)`);
      expect(usesOf(graph, rootDisk)).toContain(`loop-backing ${card} over ${file} (deleted) on ${rootDisk}`);
    },
  },
  {
    name: 'btrfs-over-two',
    note: 'a btrfs over two loops is mounted; the kernel shows an anonymous device number',
    needs: ['program:mkfs.btrfs'],
    async build(bench) {
      const first = await attach(bench, await makeFile(bench, 'first', 128));
      const second = await attach(bench, await makeFile(bench, 'second', 128));
      await execa('mkfs.btrfs', [
        '-q',
        '-f',
        '-L',
        'pool',
        '-d',
        'single',
        `/dev/${first}`,
        `/dev/${second}`,
      ]);
      await execa('btrfs', ['device', 'scan', `/dev/${first}`, `/dev/${second}`]);
      const point = await mount(bench, `/dev/${first}`, 'pool');
      await execa('btrfs', ['subvolume', 'create', join(point, 'sub')]);
      const file = join(point, 'sub', 'inner');
      await fillFile(file, 4);
      return { first, second, point, file, upper: await attach(bench, file) };
    },
    check(graph, { first = '', second = '', point = '', file = '', upper = '' }) {
      for (const member of [first, second]) {
        expect(usesOf(graph, member)).toEqual([
          `btrfs-member btrfs pool on ${member}`,
          `loop-backing ${upper} over ${file} on ${member}`,
          `mount ${point} on ${member}`,
        ]);
      }
    },
  },
  {
    name: 'held-open',
    note: 'a process has the disk and one of its partitions open',
    async build(bench) {
      const card = await attachPartitioned(bench, 'card');
      const args = [`/dev/${card}`, `/dev/${card}p1`];
      const pid = await startScript(bench, 'exec 3< "$1" 4< "$2"', { args });
      return { card, pid: String(pid) };
    },
    check(graph, { card = '', pid = '' }) {
      expect(usesOf(graph, card)).toEqual([
        `open-descriptor pid ${pid} (sh) on ${card}`,
        `open-descriptor pid ${pid} (sh) on ${card}p1 through ${card}p1`,
      ]);
    },
  },
  {
    name: 'node-elsewhere',
    note: 'a process has the disk open through a node of another name, deleted since',
    needs: ['program:mknod'],
    async build(bench) {
      const card = await attach(bench, await makeFile(bench, 'card', 8));
      const { stdout } = await execa('cat', [`/sys/block/${card}/dev`]);
      const node = join(bench.folder, 'hidden node');
      await execa('mknod', [node, 'b', ...stdout.trim().split(':')]);
      const pid = await startScript(bench, 'exec 3< "$1"', { args: [node] });
      await rm(node);
      return { card, pid: String(pid) };
    },
    check(graph, { card = '', pid = '' }) {
      expect(usesOf(graph, card)).toEqual([`open-descriptor pid ${pid} (sh) on ${card}`]);
    },
  },
  {
    name: 'live-stick',
    note: 'a squashfs in a file on the card is mounted through a loop, with an overlay over it, as live systems do',
    needs: ['program:mksquashfs'],
    async build(bench) {
      const card = await attachPartitioned(bench, 'stick');
      await makeExt2(`/dev/${card}p2`);
      const medium = await mount(bench, `/dev/${card}p2`, 'medium');
      const content = join(bench.folder, 'content');
      await mkdir(content);
      await writeFile(join(content, 'hello'), 'from the stick');
      const file = join(medium, 'filesystem.squashfs');
      await execa('mksquashfs', [content, file, '-quiet', '-no-progress']);
      const lower = await attach(bench, file, '--read-only');
      const layer = await mount(bench, `/dev/${lower}`, 'layer:one', '-t', 'squashfs');
      const memory = await mount(bench, 'tmpfs', 'memory', '-t', 'tmpfs', '-o', 'size=4m');
      await mkdir(join(memory, 'up'));
      await mkdir(join(memory, 'work'));
      const layers = `lowerdir=${layer.replace(':', '\\:')},upperdir=${memory}/up,workdir=${memory}/work`;
      return { card, lower, point: await mount(bench, 'overlay', 'joined', '-t', 'overlay', '-o', layers) };
    },
    check(graph, { card = '', lower = '', point = '' }) {
      expect(usesOf(graph, card)).toContain(`mount ${point} on ${card}p2 through ${card}p2 > ${lower}`);
      expect(usesOf(graph, lower)).toContain(`mount ${point} on ${lower}`);
    },
  },
];
