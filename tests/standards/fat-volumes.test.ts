import { beforeAll } from 'vitest';
import { parseBootSector } from '../../src/volume/boot-sector.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { openVolume } from '../../src/volume/open-volume.ts';
import { sha256 } from '../image/recipes.ts';
import { applied, checkFat, makeFat, mtools, sourceOf, wholeOf, withFiles } from '../volume/fat-image.ts';
import { compareRows, type Row } from './compare-rows.ts';

const mib = 2 ** 20;
beforeAll(async () => {
  await loadFat();
});

/** "1/2036 clusters" of fsck.vfat -n. */
const clustersByFsck = (image: Buffer) => Number(/\d+\/(\d+) clusters/.exec(checkFat(image).output)?.[1]);
const specification = 'Microsoft FAT32 File System Specification 1.03';

function goldenRow(bits: 12 | 16 | 32, sizeMib: number, clusters: number, digest: string): Row<unknown> {
  const args = ['-F', `${bits}`, '-n', 'BOOTFS', '-i', '1234ABCD', '--invariant'];
  return {
    value: `FAT${bits} of ${sizeMib} MiB has ${clusters} clusters, and the digest of mkfs.vfat 4.2`,
    source: 'dosfstools 4.2, made and hashed apart from these tests',
    ours: () => {
      const image = makeFat(args, sizeMib * mib);
      const geometry = parseBootSector(image, image.length);
      return [geometry.bits, geometry.clusterCount, geometry.label, sha256(image)];
    },
    expected: [bits, clusters, 'BOOTFS', digest],
    reference: {
      programs: ['mkfs.vfat', 'fsck.vfat', 'mlabel'],
      says: () => {
        const image = makeFat(args, sizeMib * mib);
        const kind = Number(/FATs, (\d+) bit entries/.exec(checkFat(image).output)?.[1]);
        const label = /Volume label is (\S+)/.exec(mtools(image, 'mlabel', ['-s', '::']))?.[1];
        return [kind, clustersByFsck(image), label, sha256(image)];
      },
    },
  };
}

compareRows('golden FAT volumes', [
  goldenRow(12, 4, 2036, '3b434736e30a186fceb20acc3615592c2fd4f8837b0542dee69628b1433fac93'),
  goldenRow(16, 32, 16_343, 'bcd90d2453585a422e20196779017f851ed729b6a3e2c70f06a30ac9e1849d41'),
  goldenRow(32, 256, 516_190, '3e077a5454de8aeb4d5f13f1ee7b0557d0236af435954a099631a84bbdf96faf'),
]);

/** A boot sector alone: one sector a cluster, the table sizes given, so many clusters. */
function bootSector(clusters: number, is32: boolean): Buffer {
  const sector = Buffer.alloc(512);
  const fatSectors = Math.ceil((clusters + 2) / (is32 ? 128 : 256));
  const total = 32 + 2 * fatSectors + (is32 ? 0 : 32) + clusters;
  sector.writeUInt16LE(512, 11);
  sector.writeUInt8(1, 13);
  sector.writeUInt16LE(32, 14);
  sector.writeUInt8(2, 16);
  sector.writeUInt16LE(is32 ? 0 : 512, 17);
  sector.writeUInt16LE(total < 0x10000 ? total : 0, 19);
  sector.writeUInt8(0xf8, 21);
  sector.writeUInt16LE(is32 ? 0 : fatSectors, 22);
  sector.writeUInt32LE(total < 0x10000 ? 0 : total, 32);
  if (is32) sector.writeUInt32LE(fatSectors, 36);
  if (is32) sector.writeUInt32LE(2, 44);
  sector.set([0x55, 0xaa], 510);
  return sector;
}

const kindOf = (clusters: number, is32 = false) => parseBootSector(bootSector(clusters, is32), 2 ** 30).bits;
const bySpecification = `${specification}, "FAT Type Determination"`;
const byLinux = 'Linux fs/fat/inode.c: FAT32 is what has no 16-bit table size';

compareRows('kinds of FAT', [
  { value: '4084 clusters are FAT12', source: bySpecification, ours: () => kindOf(4084), expected: 12 },
  { value: '4085 clusters are FAT16', source: bySpecification, ours: () => kindOf(4085), expected: 16 },
  { value: '65524 clusters are FAT16', source: bySpecification, ours: () => kindOf(65_524), expected: 16 },
  {
    value: '65525 clusters are FAT32',
    source: bySpecification,
    ours: () => kindOf(65_525, true),
    expected: 32,
  },
  {
    value: '64496 clusters without a 16-bit table size are FAT32',
    source: byLinux,
    ours: () => parseBootSector(makeFat(['-F', '32', '-s', '1'], 32 * mib), 32 * mib).bits,
    expected: 32,
    reference: {
      programs: ['mkfs.vfat', 'fsck.vfat'],
      says: () => (clustersByFsck(makeFat(['-F', '32', '-s', '1'], 32 * mib)) === 64_496 ? 32 : 0),
    },
  },
]);

/** All that a name is in a directory, as hex: its entries without times, first cluster and size. */
function nameOnDisk(image: Buffer): string[] {
  const start = (image.readUInt16LE(14) + image.readUInt8(16) * image.readUInt16LE(22)) * 512;
  const entries: string[] = [];
  for (let at = start; image[at] !== 0; at += 32) {
    const entry = image.subarray(at, at + 32);
    if (entry[0] === 0xe5 || entry[11] === 0x08) continue;
    const isLong = entry[11] === 0x0f;
    const text = isLong ? entry : entry.subarray(0, 11);
    // a long entry: ordinal, and its checksum; a short one: name and the case of its two parts
    entries.push(isLong ? text.toString('hex') : `${text.toString('latin1')} ${entry[12]?.toString(16)}`);
  }
  return entries;
}

/** A long entry of the specification: ordinal, 13 UTF-16 units around attributes, type and checksum. */
function longEntry(ordinal: number, text: string, checksum: string): string {
  const units = Buffer.alloc(26, 0xff);
  units.write(`${text}${text.length < 13 ? '\0' : ''}`, 'utf16le');
  const hex = units.toString('hex');
  return `${ordinal.toString(16)}${hex.slice(0, 20)}0f00${checksum}${hex.slice(20, 44)}0000${hex.slice(44)}`;
}

let emptyVolume: Buffer | null = null;
const empty = () => {
  emptyVolume ??= makeFat(['-F', '16', '-n', 'BOOTFS'], 16 * mib);
  return emptyVolume;
};

function nameRow(name: string, source: string, expected: string[]): Row<string[]> {
  return {
    value: `${name} as it stands in a directory`,
    source,
    ours: () => {
      const volume = openVolume(sourceOf(empty()), wholeOf(empty()));
      volume.writeFile(name, Buffer.from('x'));
      const after = applied(empty(), volume.changes());
      volume.close();
      return nameOnDisk(after);
    },
    expected,
    reference: {
      programs: ['mkfs.vfat', 'mcopy'],
      says: () => nameOnDisk(withFiles(empty(), { [name]: 'x' })),
    },
  };
}

const longNames = `${specification}, "Long Directory Entries"; mtools 4.0.32`;
const caseBits = 'bits 3 and 4 of byte 12: common practice, no standard; mtools 4.0.32';

compareRows('FAT names', [
  nameRow('user-data', longNames, [longEntry(0x41, 'user-data', 'b0'), 'USER-D~1    0']),
  nameRow('meta-data', longNames, [longEntry(0x41, 'meta-data', 'd4'), 'META-D~1    0']),
  nameRow('network-config', longNames, [
    longEntry(0x42, 'g', '47'),
    longEntry(0x01, 'network-confi', '47').padStart(64, '0'),
    'NETWOR~1    0',
  ]),
  nameRow('userconf.txt', caseBits, ['USERCONFTXT 18']),
  nameRow('cmdline.txt', caseBits, ['CMDLINE TXT 18']),
  nameRow('ssh', caseBits, ['SSH         8']),
  nameRow('README.TXT', caseBits, ['README  TXT 0']),
]);
