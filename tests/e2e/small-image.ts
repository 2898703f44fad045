import { createHash } from 'node:crypto';
import * as fs from 'node:fs';
import { makeVolume } from '../../src/volume/format-volume.ts';

const mib = 2 ** 20;
const sectorBytes = 512;

/** How a small image is laid out; all sizes in bytes, whole sectors but for the image's own. */
export interface SmallImageShape {
  sizeBytes: number;
  bootStart: number;
  bootBytes: number;
  rootStart: number;
  /** other seeds give other bytes in the root area and beside the partitions */
  seed: number;
}

/** The boot volume past the first MiB, as in most images. */
export const usualShape: SmallImageShape = {
  sizeBytes: 5 * mib,
  bootStart: mib + 65_536,
  bootBytes: mib,
  rootStart: 2 * mib + 131_072,
  seed: 1,
};

/** The boot volume inside the first MiB, which is held back: its files are edited in memory alone. */
export const bootInHeadShape: SmallImageShape = {
  ...usualShape,
  bootStart: 65_536,
  bootBytes: 786_432,
};

const stubs = {
  'user-data': '#cloud-config\ntimezone: Etc/UTC\n',
  'meta-data': 'instance-id: not-set\n',
  'network-config': 'version: 2\nethernets: {}\n',
};

/** Bytes without a pattern, the same for the same seed: a stretch of SHA-256 in counter mode. */
export function seededBytes(seed: number, length: number): Buffer {
  const bytes = Buffer.alloc(length);
  for (let at = 0; at < length; at += 32) {
    createHash('sha256').update(`orchard ${seed} ${at}`).digest().copy(bytes, at);
  }
  return bytes;
}

/** An MBR, a FAT volume with NoCloud stubs and a root area of seeded bytes: an image whose whole job takes moments. */
export function smallImage(shape: SmallImageShape): Buffer {
  const { sizeBytes, bootStart, bootBytes, rootStart, seed } = shape;
  const image = seededBytes(seed, sizeBytes);
  image.fill(0, 0, sectorBytes);
  masterBootRecord(shape).copy(image, 0);
  image.set(makeVolume(bootBytes, stubs), bootStart);
  if (bootStart + bootBytes > rootStart) throw new Error('the volumes overlap');
  return image;
}

export function writeSmallImage(path: string, shape: SmallImageShape): void {
  fs.writeFileSync(path, smallImage(shape));
}

/** UEFI 2.11 section 5.2.1, table 5.1: two records from 446, 55 AA at 510. */
function masterBootRecord({ sizeBytes, bootStart, bootBytes, rootStart }: SmallImageShape): Buffer {
  const record = Buffer.alloc(sectorBytes);
  const enter = (at: number, type: number, startByte: number, lengthBytes: number) => {
    record.writeUInt8(type, at + 4);
    record.writeUInt32LE(startByte / sectorBytes, at + 8);
    record.writeUInt32LE(Math.floor(lengthBytes / sectorBytes), at + 12);
  };
  enter(446, 0x0c, bootStart, bootBytes);
  enter(462, 0x83, rootStart, sizeBytes - rootStart);
  record.writeUInt16BE(0x55aa, 510);
  return record;
}
