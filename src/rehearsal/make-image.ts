import { createHash } from 'node:crypto';
import * as fs from 'node:fs';
import { mibBytes } from '../contract/job.ts';
import { makeVolume } from '../volume/format-volume.ts';

const sectorBytes = 512;
const bootStart = 4 * mibBytes;
const bootBytes = 20 * mibBytes;
const rootStart = bootStart + bootBytes;
const rootBytes = 16 * mibBytes;
export const rehearsalImageBytes = rootStart + rootBytes;

/** What the first-boot files of the image hold before any node's settings are put in. */
const stubs: Record<string, string> = {
  'user-data': '#cloud-config\n# Settings for every node that is made from this image.\ntimezone: Etc/UTC\n',
  'meta-data': 'instance-id: not-set\n',
  'network-config': 'version: 2\nethernets: {}\n',
  'cmdline.txt': 'console=tty1 root=/dev/mmcblk0p2 rootwait\n',
};

/**
 * Writes an image of our own: an MBR, a FAT volume with NoCloud stubs, and a root area of bytes that look random and
 * are the same every time. It starts no computer; everything else about it is as in a real one.
 */
export function makeRehearsalImage(path: string): void {
  const image = new Uint8Array(rehearsalImageBytes);
  image.set(bootRecord(), 0);
  image.set(makeVolume(bootBytes, stubs), bootStart);
  for (let at = 0; at < rootBytes; at += 32) {
    image.set(createHash('sha256').update(`orchard root ${at}`).digest(), rootStart + at);
  }
  fs.writeFileSync(path, image);
}

/** Master boot record (UEFI 2.11 section 5.2.1, table 5.1): disk signature at 440, records from 446, 55 AA at 510. */
function bootRecord(): Uint8Array {
  const record = Buffer.alloc(sectorBytes);
  record.writeUInt32LE(0x0c0ffee0, 440);
  const entry = (at: number, type: number, active: boolean, startByte: number, sizeBytes: number) => {
    record.writeUInt8(active ? 0x80 : 0, at);
    record.set([0xfe, 0xff, 0xff], at + 1);
    record.writeUInt8(type, at + 4);
    record.set([0xfe, 0xff, 0xff], at + 5);
    record.writeUInt32LE(startByte / sectorBytes, at + 8);
    record.writeUInt32LE(sizeBytes / sectorBytes, at + 12);
  };
  entry(446, 0x0c, true, bootStart, bootBytes);
  entry(462, 0x83, false, rootStart, rootBytes);
  record.writeUInt16BE(0x55aa, 510);
  return record;
}
