import { crc32 } from 'node:zlib';
import fc from 'fast-check';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { examineLayout, type Layout } from '../../src/image/examine-layout.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import type { Extent } from '../../src/volume/overlay.ts';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeFat, withFiles } from '../volume/fat-image.ts';
import { counted } from './counted-source.ts';
import { fuzzed, fuzzTimeoutMs, InputCount } from './fuzz.ts';
import { editCard, expectSoundCard, recordedCard, writesOutside } from './recorded-card.ts';

const sectorBytes = 512;
const firstSector = 64;
const sectors = 4096;
const secondSector = 3000;

/** Two partitions in an MBR (UEFI 2.11 section 5.2.1), the first with the FAT volume in it. */
function withMbr(volume: Buffer): Buffer {
  const image = Buffer.alloc(sectors * sectorBytes);
  volume.copy(image, firstSector * sectorBytes);
  image.set([0x80, 0, 0, 0, 0x0c], 446);
  image.writeUInt32LE(firstSector, 454);
  image.writeUInt32LE(volume.length / sectorBytes, 458);
  image[446 + 16 + 4] = 0x83;
  image.writeUInt32LE(secondSector, 446 + 16 + 8);
  image.writeUInt32LE(1000, 446 + 16 + 12);
  image.set([0x55, 0xaa], 510);
  return image;
}

/** Header and entries at the beginning and at the end, with their checksums (UEFI 2.11 sections 5.3.2 and 5.3.3). */
function sealGpt(image: Buffer): void {
  for (const [header, entries] of [
    [1, 2],
    [sectors - 1, sectors - 33],
  ] as const) {
    const at = header * sectorBytes;
    const array = image.subarray(entries * sectorBytes, entries * sectorBytes + 128 * 128);
    image.writeUInt32LE(crc32(array), at + 88);
    image.writeUInt32LE(0, at + 16);
    const length = Math.min(sectorBytes, Math.max(92, image.readUInt32LE(at + 12)));
    image.writeUInt32LE(crc32(image.subarray(at, at + length)), at + 16);
  }
}

function withGpt(volume: Buffer): Buffer {
  const image = Buffer.alloc(sectors * sectorBytes);
  volume.copy(image, firstSector * sectorBytes);
  image[450] = 0xee;
  image.writeUInt32LE(1, 454);
  image.writeUInt32LE(sectors - 1, 458);
  image.set([0x55, 0xaa], 510);
  // EFI system, and Linux, as they lie on disk: mixed-endian (appendix A)
  const types = ['28732ac11ff8d211ba4b00a0c93ec93b', 'af3dc60f838472478e793d69d8477de4'];
  const places = [
    [firstSector, firstSector + volume.length / sectorBytes - 1],
    [secondSector, secondSector + 999],
  ] as const;
  for (const [header, entries, other] of [
    [1, 2, sectors - 1],
    [sectors - 1, sectors - 33, 1],
  ] as const) {
    const at = header * sectorBytes;
    image.write('EFI PART', at, 'latin1');
    image.writeUInt32LE(0x00010000, at + 8);
    image.writeUInt32LE(92, at + 12);
    [header, other, 34, sectors - 34].forEach((block, i) => {
      image.writeBigUInt64LE(BigInt(block), at + 24 + 8 * i);
    });
    image.write('67452301ab89efcd', at + 56, 'hex');
    image.writeBigUInt64LE(BigInt(entries), at + 72);
    image.writeUInt32LE(128, at + 80);
    image.writeUInt32LE(128, at + 84);
    places.forEach(([first, last], i) => {
      const entry = entries * sectorBytes + 128 * i;
      image.write(types[i] as string, entry, 'hex');
      image.writeUInt8(i + 1, entry + 16);
      image.writeBigUInt64LE(BigInt(first), entry + 32);
      image.writeBigUInt64LE(BigInt(last), entry + 40);
    });
  }
  sealGpt(image);
  return image;
}

/** Where fields of tables stand: MBR entries, both headers, the first entries of both arrays. */
const fieldPlaces = [
  ...Array.from({ length: 70 }, (_, i) => 440 + i),
  ...Array.from({ length: 92 }, (_, i) => 512 + i),
  ...Array.from({ length: 48 }, (_, i) => 1024 + i),
  ...Array.from({ length: 48 }, (_, i) => 1024 + 128 + i),
  ...Array.from({ length: 92 }, (_, i) => (sectors - 1) * sectorBytes + i),
];
const blocks = fc.oneof(
  fc.nat(sectors + 100),
  fc.constantFrom(0, 1, 2, 33, firstSector, firstSector + 1, secondSector, sectors - 1, sectors, 0xffffffff),
);
const edit = fc.oneof(
  fc.record({ at: fc.constantFrom(...fieldPlaces), value: fc.nat(255), bytes: fc.constant(1) }),
  fc.record({
    at: fc.constantFrom(
      454,
      458,
      470,
      474,
      486,
      490,
      536,
      544,
      552,
      560,
      584,
      592,
      596,
      1056,
      1064,
      1184,
      1192,
    ),
    value: blocks,
    bytes: fc.constant(4),
  }),
  // what Linux and we tell extended partitions, GPT and FAT by
  fc.record({
    at: fc.constantFrom(450, 466, 482),
    value: fc.constantFrom(0x05, 0x0f, 0x85, 0xee, 0x0b, 0xef),
    bytes: fc.constant(1),
  }),
);
const edits = fc.array(edit, { minLength: 1, maxLength: 5 });

describeWith(
  ['program:mkfs.vfat', 'program:mcopy'],
  'an image whose partition table was changed, written and edited',
  { timeoutMs: fuzzTimeoutMs },
  () => {
    const inputs = new InputCount();
    let outside = 0;
    let edited = 0;
    let base: { mbr: Buffer; gpt: Buffer };
    beforeAll(async () => {
      await loadFat();
      const volume = withFiles(makeFat(['-F', '12', '-s', '1', '-n', 'BOOTFS'], 2 ** 20), {
        'user-data': '#cloud-config\n',
        'meta-data': 'instance-id: node-image\n',
      });
      base = { mbr: withMbr(volume), gpt: withGpt(volume) };
    });
    afterAll(() => {
      inputs.record('partition tables, with the edit of what they call the boot volume');
      recordFigure('writes outside the boot volume', outside, 'changed partition tables');
    });

    /** What holds for any table that the gate before writing lets through. */
    function expectSoundLayout({ table }: Layout, sizeBytes: number): void {
      for (const { startByte, sizeBytes: length } of table?.partitions ?? []) {
        expect(Number.isSafeInteger(startByte) && Number.isSafeInteger(length)).toBe(true);
        expect(startByte >= 0 && length > 0 && startByte + length <= sizeBytes).toBe(true);
      }
    }

    async function exercise(image: Buffer): Promise<void> {
      const layout = await inputs.orderly(() =>
        examineLayout(counted(image, 3000), { withBackup: true, isWhole: true }),
      );
      if (layout instanceof CardwrightError) return;
      // the gate before writing: such an image never gets onto a card
      if (layout.findings.some(({ severity }) => severity === 'refuse')) return;
      expectSoundLayout(layout, image.length);
      if (!layout.bootVolume) return;
      const { startByte, sizeBytes } = layout.bootVolume;
      const extent: Extent = { startByte, sizeBytes, sectorBytes };
      const card = recordedCard(image, false);
      const answer = await inputs.orderly(() => editCard(card, extent));
      outside += writesOutside(card, extent).length;
      expect(writesOutside(card, extent)).toEqual([]);
      expectSoundCard(card, image, extent);
      if (!(answer instanceof CardwrightError)) edited += 1;
    }

    it.each(['mbr', 'gpt'] as const)('%s: unchanged, its boot volume is edited', async (kind) => {
      const before = edited;
      await exercise(base[kind]);
      expect(edited).toBe(before + 1);
    });

    it.each(['mbr', 'gpt'] as const)('%s: changed, checksums made right half of the time', async (kind) => {
      const before = edited;
      await fc.assert(
        fc.asyncProperty(edits, fc.boolean(), async (all, isSealed) => {
          const image = Buffer.from(base[kind]);
          for (const { at, value, bytes } of all) image.writeUIntLE(value, at, bytes);
          if (isSealed && kind === 'gpt') sealGpt(image);
          await exercise(image);
        }),
        fuzzed(120),
      );
      expect(edited - before).toBeGreaterThan(5);
    });
  },
);
