import { beforeAll, expect, it } from 'vitest';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { openVolume } from '../../src/volume/open-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import {
  applied,
  checkFat,
  codeOf,
  fatTools,
  grubRead,
  makeFat,
  mtools,
  sourceOf,
  wholeOf,
} from './fat-image.ts';

const mib = 2 ** 20;

/** "C data clusters" and "used/all clusters" as fsck.vfat counts them. */
function countsOf(output: string): { clusters: number; used: number } {
  const [, used = '', clusters = ''] = /(\d+)\/(\d+) clusters/.exec(output) ?? [];
  return { clusters: Number(clusters), used: Number(used) };
}

/** mkfs.vfat makes no FAT16 with fewer clusters. */
const fewestByMkfs = { 12: 1, 16: 4087, 32: 1 };

/** A volume of exactly so many clusters of one sector each. */
function makeWithClusters(bits: 12 | 16 | 32, clusters: number): Buffer {
  // Tracks of one sector, or the size is rounded down to whole tracks.
  const args = ['-F', `${bits}`, '-s', '1', '-n', 'BOOTFS', '-g', '1/1'];
  const made = Math.max(clusters, fewestByMkfs[bits]);
  const tableSectors = Math.ceil(((made + 2) * bits) / 8 / 512);
  const guess = (bits === 32 ? 32 : 1 + 32) + 2 * tableSectors + made;
  const image = makeFat(args, guess * 512);
  const table = bits === 32 ? image.readUInt32LE(36) : image.readUInt16LE(22);
  const dataSector = image.readUInt16LE(14) + 2 * table + (image.readUInt16LE(17) * 32) / 512;
  const total = dataSector + clusters;
  if (total > guess) throw new Error(`mkfs.vfat made ${guess - dataSector} clusters`);
  image.writeUInt16LE(total < 0x10000 ? total : 0, 19);
  image.writeUInt32LE(total < 0x10000 ? 0 : total, 32);
  return image.subarray(0, total * 512);
}

// mtools goes by the cluster count and cannot read these; GRUB goes by the fields, as the kernel does.
describeWith([...fatTools, 'program:grub-fstest'], 'FAT32 with few clusters', { timeoutMs: 60_000 }, () => {
  beforeAll(async () => {
    await loadFat();
  });

  it.each([
    ['32 MiB, one sector a cluster', ['-F', '32', '-s', '1'], 32, 64_496],
    ['8 MiB', ['-F', '32'], 8, 16_100],
    ['40 MiB', ['-F', '32'], 40, 80_628],
    ['64 MiB, eight sectors a cluster', ['-F', '32', '-s', '8'], 64, 16_348],
    ['33 MiB, one table', ['-F', '32', '-s', '1', '-f', '1'], 33, 67_028],
  ] as const)('%s', (_title, args, sizeMib, clusters) => {
    const image = makeFat([...args, '-n', 'BOOTFS'], sizeMib * mib);
    const before = countsOf(checkFat(image).output);
    expect(before.clusters).toBe(clusters);
    const volume = openVolume(sourceOf(image), wholeOf(image));
    expect([volume.type, volume.label]).toEqual(['fat32', 'BOOTFS']);
    const clusterBytes = image.readUInt8(13) * 512;
    expect(volume.freeBytes).toBe((before.clusters - before.used) * clusterBytes);

    const content = Buffer.from(Array.from({ length: 300_000 }, (_, i) => (i * 31) & 0xff));
    volume.writeFile('user-data', content);
    volume.writeFile('files/network-config', Buffer.from('version: 2\n'));
    const after = applied(image, volume.changes());
    const checked = checkFat(after);
    expect(checked.status).toBe(0);
    expect(volume.freeBytes).toBe((clusters - countsOf(checked.output).used) * clusterBytes);
    volume.close();
    expect(grubRead(after, 'user-data').equals(content)).toBe(true);
    expect(grubRead(after, 'files/network-config').toString()).toBe('version: 2\n');
  });

  it('fills the very last cluster and none beyond it', () => {
    const image = makeFat(['-F', '32', '-n', 'BOOTFS'], 8 * mib);
    const volume = openVolume(sourceOf(image), wholeOf(image));
    const everything = Buffer.alloc(volume.freeBytes, 0x42);
    expect(codeOf(() => volume.writeFile('big', Buffer.alloc(volume.freeBytes + 1)))).toBe('volume.full');
    expect(volume.changes()).toEqual([]);
    volume.writeFile('big', everything);
    expect(volume.freeBytes).toBe(0);
    expect(codeOf(() => volume.writeFile('one-more', Buffer.from('x')))).toBe('volume.full');
    const after = applied(image, volume.changes());
    volume.close();
    const checked = checkFat(after);
    expect(checked.status).toBe(0);
    expect(countsOf(checked.output)).toEqual({ clusters: 16_100, used: 16_100 });
    expect(grubRead(after, 'big').equals(everything)).toBe(true);
  });

  it('leaves table bytes past the last cluster as they were', () => {
    const image = makeFat(['-F', '32', '-n', 'BOOTFS'], 8 * mib);
    const [tableAt, tableBytes] = [32 * 512, 126 * 512];
    const surplus = (16_100 + 2) * 4;
    for (const copy of [0, 1])
      image.fill(0x6b, tableAt + copy * tableBytes + surplus, tableAt + (copy + 1) * tableBytes);
    const volume = openVolume(sourceOf(image), wholeOf(image));
    volume.writeFile('big', Buffer.alloc(volume.freeBytes));
    const after = applied(image, volume.changes());
    volume.close();
    for (const copy of [0, 1]) {
      const tail = after.subarray(tableAt + copy * tableBytes + surplus, tableAt + (copy + 1) * tableBytes);
      expect(tail.every((byte) => byte === 0x6b)).toBe(true);
    }
  });

  // Microsoft FAT32 File System Specification 1.03, "FAT Type Determination": below 4085 FAT12, below 65525 FAT16.
  it.each([
    [12, 4084, ''],
    [16, 4085, ', which the library alone takes for FAT12'],
    [16, 4086, ''],
    [16, 65_524, ''],
    [32, 65_525, ', which the library alone takes for FAT16'],
  ] as [12 | 16 | 32, number, string][])('FAT%d with %d clusters%s', (bits, clusters) => {
    const image = makeWithClusters(bits, clusters);
    expect(countsOf(checkFat(image).output).clusters).toBe(clusters);
    const volume = openVolume(sourceOf(image), wholeOf(image));
    expect(volume.type).toBe(`fat${bits}`);
    expect(volume.freeBytes).toBe((clusters - (bits === 32 ? 1 : 0)) * 512);
    const half = Buffer.alloc(Math.floor(clusters / 2) * 512, 'half');
    volume.writeFile('first', half);
    volume.writeFile('second', half.subarray(512));
    const after = applied(image, volume.changes());
    volume.close();
    expect(checkFat(after)).toMatchObject({ status: 0 });
    const read = (path: string) =>
      bits === 32 ? grubRead(after, path) : Buffer.from(mtools(after, 'mtype', [`::/${path}`]), 'latin1');
    expect(read('first').equals(half)).toBe(true);
    expect(read('second').equals(half.subarray(512))).toBe(true);
  });

  it('has a checker that would notice', () => {
    const image = makeFat(['-F', '32', '-n', 'BOOTFS'], 8 * mib);
    image.writeUInt32LE(0x0fffffff, 32 * 512 + 50 * 4);
    expect(checkFat(image).status).toBe(1);
  });
});
