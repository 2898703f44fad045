import { parseBootSector } from './boot-sector.ts';
import { formatVolume } from './format-volume.ts';
import { seedBytes, seedLabel } from './seed-facts.ts';

/** Fields of the boot sector, by width of the table: Microsoft FAT specification 1.03, "Boot Sector and BPB". */
const fieldsAt = { 16: { serial: 39, label: 43 }, 32: { serial: 67, label: 71 } };
const hiddenSectorsAt = 28;
const backupBootAt = 50;
const volumeLabelAttribute = 0x08;

/** Type byte that an MBR gives a seed volume: FAT32 or FAT16, both by logical block (sfdisk --label dos -T). */
export function seedMbrType(sectorBytes: number): number {
  return sectorBytes === 512 ? 0x0c : 0x0e;
}

/**
 * An empty FAT volume with the label that NoCloud readers look for, in the boot sector and in the root directory:
 * FAT32, or FAT16 where sectors of 4096 bytes leave it too few clusters. `loadFat()` must have been awaited.
 *
 * @param serial 32-bit volume serial number, so that two cards in one machine can be told apart
 * @param startByte where the volume lies on the card
 */
export function makeSeedVolume(shape: {
  sectorBytes: number;
  serial: number;
  startByte: number;
}): Uint8Array {
  const { sectorBytes, serial, startByte } = shape;
  const bytes = new Uint8Array(seedBytes);
  formatVolume(bytes, { kind: sectorBytes === 512 ? 'fat32' : 'fat16', sectorBytes });
  const geometry = parseBootSector(bytes.subarray(0, 512), bytes.length);
  const bits = geometry.bits === 32 ? 32 : 16;
  const view = new DataView(bytes.buffer);
  const label = Buffer.from(seedLabel.padEnd(11), 'latin1');
  view.setUint32(hiddenSectorsAt, startByte / sectorBytes, true);
  view.setUint32(fieldsAt[bits].serial, serial, true);
  bytes.set(label, fieldsAt[bits].label);
  if (bits === 32) bytes.copyWithin(view.getUint16(backupBootAt, true) * sectorBytes, 0, 512);
  // The root directory: cluster 2 of a new FAT32, in FAT16 the sectors before it.
  const rootAt = geometry.dataSector * sectorBytes - geometry.rootEntries * 32;
  bytes.set([...label, volumeLabelAttribute], rootAt);
  return bytes;
}
