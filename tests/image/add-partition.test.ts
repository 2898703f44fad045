import fs from 'node:fs';
import path from 'node:path';
import { crc32 } from 'node:zlib';
import * as fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ByteSource } from '../../src/contract/blocks.ts';
import { examineLayout } from '../../src/image/examine-layout.ts';
import { addPartition } from '../../src/image/table/add-partition.ts';
import { addToGpt } from '../../src/image/table/add-to-gpt.ts';
import { placeAtFarEnd, smallestCard } from '../../src/image/table/far-end.ts';
import { readTable } from '../../src/image/table/read-table.ts';
import { findTableRoom, type TableRoom } from '../../src/image/table/table-room.ts';
import { describeWith } from '../lab/capabilities.ts';
import {
  codeOf,
  fileSource,
  flipBit,
  makeGoldenGpt,
  memorySource,
  overwrite,
  run,
  sparseFile,
  statusOf,
  workFolder,
} from './recipes.ts';

const folder = workFolder();
const mib = 2 ** 20;
/** Microsoft basic data: UEFI 2.11 section 5.3.3 names it as the type of FAT volumes of old. */
const basicData = 'EBD0A0A2-B9E5-4433-87C0-68B6B72699C7';
const uniqueGuid = Uint8Array.from({ length: 16 }, (_, at) => (at === 7 ? 0x41 : at === 8 ? 0x81 : at + 1));

/** The image's bytes at the start of a disk of the card's size. */
function onCard(image: ByteSource, cardBytes: number): ByteSource {
  return { sizeBytes: cardBytes, read: (offset, length) => image.read(offset, length) };
}

function tableOf(source: ByteSource) {
  const table = readTable(source, { withBackup: true }, [])?.table;
  if (!table) throw new Error('the image has no table');
  return table;
}

function roomOf(source: ByteSource): TableRoom {
  const found = findTableRoom(source, tableOf(source));
  if (!found.ok) throw new Error(found.why);
  return found.room;
}

/** Lays the image onto a card file and enters a volume of 36 MiB at its far end. */
function addOnCard(imageFile: string, cardBytes: number) {
  const image = fileSource(imageFile);
  const room = roomOf(image);
  const place = placeAtFarEnd({ sizeBytes: cardBytes }, image.sizeBytes, room, 36 * mib);
  if (!place) throw new Error('no place');
  const partition = { ...place, mbrType: 0x0c, gptType: basicData, name: 'CIDATA', uniqueGuid };
  const added = addPartition(onCard(image, cardBytes), image.sizeBytes, tableOf(image), partition);
  const card = path.join(folder, `${path.basename(imageFile)}.card`);
  fs.copyFileSync(imageFile, card);
  fs.truncateSync(card, cardBytes);
  for (const { offset, data } of added.changes) overwrite(card, offset, data);
  return { card, place, ...added };
}

function mbrImage(name: string, script: string, sizeBytes = 64 * mib): string {
  const file = sparseFile(path.join(folder, name), sizeBytes);
  run('sfdisk', ['-q', file], `label: dos\n${script}`);
  return file;
}

function partitionsBySfdisk(file: string) {
  return JSON.parse(run('sfdisk', ['--json', file]).toString()).partitiontable.partitions;
}

describeWith(['program:sfdisk'], 'one more partition in an MBR', () => {
  it('takes the first free entry, as sfdisk sees it, and leaves the others as they are', () => {
    const image = mbrImage(
      'two.img',
      'start=2048, size=32768, type=c, bootable\nstart=34816, size=65536, type=83\n',
    );
    const { card, place, number } = addOnCard(image, 200 * mib + 5 * 512);
    expect(number).toBe(3);
    expect(statusOf('sfdisk', ['--verify', card])).toBe(0);
    expect(run('sfdisk', ['--verify', card]).toString()).toContain('No errors detected');
    const [first, second, third] = partitionsBySfdisk(card);
    expect([first, second]).toEqual(
      partitionsBySfdisk(image).map((p: { node: string }) => ({ ...p, node: p.node.replace(image, card) })),
    );
    expect(third).toMatchObject({ start: place.startByte / 512, size: (36 * mib) / 512, type: 'c' });
    expect(place.startByte).toBe(164 * mib);
  });

  it('takes an entry that was left out, and goes behind an extended partition', () => {
    const image = mbrImage(
      'gap.img',
      '4: start=2048, size=8192, type=83\n1: start=10240, size=8192, type=5\n',
    );
    const { card, number } = addOnCard(image, 256 * mib);
    expect(number).toBe(2);
    expect(statusOf('sfdisk', ['--verify', card])).toBe(0);
  });

  it('is refused where all four entries are used', async () => {
    const four = [0, 1, 2, 3].map((n) => `start=${2048 * (n + 1)}, size=2048, type=83`).join('\n');
    const image = mbrImage('full.img', `${four}\n`);
    expect(roomOf(fileSource(image)).freeNumber).toBeNull();
    expect(await codeOf(() => addOnCard(image, 256 * mib))).toBe('seed.table-full');
  });

  it('is refused where 32 bits cannot name the place', async () => {
    const image = mbrImage('far.img', 'start=2048, size=2048, type=83\n', 4 * mib);
    expect(await codeOf(() => addOnCard(image, 3 * 2 ** 40))).toBe('seed.table-unfit');
  });
});

describeWith(['program:sgdisk'], 'one more partition in a GPT', () => {
  it('is entered in both copies, the second one at the card’s end, to the content of sgdisk', () => {
    const image = makeGoldenGpt(path.join(folder, 'golden.img'));
    const { card, place, number } = addOnCard(image, 200 * mib + 7 * 512);
    expect(number).toBe(3);
    const verdict = run('sgdisk', ['-v', card]).toString();
    expect(verdict).toContain('No problems found');
    const info = run('sgdisk', ['-i', '3', card]).toString();
    expect(info).toContain(`Partition GUID code: ${basicData} (Microsoft basic data)`);
    expect(info).toContain(`First sector: ${place.startByte / 512}`);
    expect(info).toContain(`Last sector: ${(place.startByte + place.sizeBytes) / 512 - 1}`);
    expect(info).toContain("Partition name: 'CIDATA'");
    expect(info).toContain('Partition unique GUID: 04030201-0605-4107-810A-0B0C0D0E0F10');
    for (const n of ['1', '2'])
      expect(run('sgdisk', ['-i', n, card])).toEqual(run('sgdisk', ['-i', n, image]));
    expect(statusOf('sfdisk', ['--verify', card])).toBe(0);
    // The protective entry, by its own reader: UEFI 2.11 section 5.2.3 wants the disk's size less one.
    const sector = fs.readFileSync(card).subarray(0, 512);
    expect(sector.readUInt32LE(446 + 12)).toBe((200 * mib) / 512 + 7 - 1);
  });

  it('clears the copy that the image had at its own end', () => {
    const image = makeGoldenGpt(path.join(folder, 'moved.img'));
    const before = fs.readFileSync(image);
    const { card } = addOnCard(image, 160 * mib);
    const after = fs.readFileSync(card);
    expect(before.subarray(64 * mib - 512).toString('latin1', 0, 8)).toBe('EFI PART');
    expect(after.subarray(64 * mib - 33 * 512, 64 * mib).every((byte) => byte === 0)).toBe(true);
  });

  it('is read through its second copy where the first one is lost', () => {
    const image = makeGoldenGpt(path.join(folder, 'lost.img'));
    const { card } = addOnCard(image, 160 * mib);
    overwrite(card, 512, new Uint8Array(512));
    const found = readTable(fileSource(card), { withBackup: true }, []);
    expect(found?.table?.partitions.map(({ number }) => number)).toEqual([1, 2, 3]);
  });

  it('writes the card’s first sectors last', () => {
    const image = makeGoldenGpt(path.join(folder, 'order.img'));
    const offsets = addOnCard(image, 160 * mib).changes.map(({ offset }) => offset);
    expect(offsets.slice(-3)).toEqual([1024, 512, 0]);
    expect(offsets.slice(0, -3).every((offset) => offset > mib)).toBe(true);
  });

  it('is refused where no entry is free', async () => {
    const image = sparseFile(path.join(folder, 'few.img'), 16 * mib);
    const some = ['-n', '1:2048:4095', '-n', '2:4096:6143', '-n', '3:6144:8191', '-n', '4:8192:10239'];
    // sgdisk keeps no fewer entries than a whole sector holds: four.
    run('sgdisk', ['-a', '1', '-S', '4', ...some, image]);
    expect(roomOf(fileSource(image)).entryCount).toBe(4);
    expect(await codeOf(() => addOnCard(image, 256 * mib))).toBe('seed.table-full');
  });
});

/** A GPT header with fields of its own and a checksum that fits (UEFI 2.11, table 5.5). */
function withFields(sector: Uint8Array, fill: (header: Buffer) => void): Buffer {
  const header = Buffer.from(sector);
  fill(header);
  header.writeUInt32LE(0, 16);
  header.writeUInt32LE(crc32(header.subarray(0, 92)), 16);
  return header;
}

describeWith(['program:sgdisk'], 'a GPT that is not as it should be', () => {
  const imageBytes = 64 * mib;
  const bytesOf = (name: string) => fs.readFileSync(makeGoldenGpt(path.join(folder, name)));
  const place = { startByte: 100 * mib, sizeBytes: 36 * mib };
  const partition = { ...place, mbrType: 0x0c, gptType: basicData, name: 'CIDATA', uniqueGuid };
  const cardOf = (bytes: Buffer) => onCard(memorySource(bytes), 160 * mib);
  const codeFor = (action: () => unknown) => codeOf(async () => action());

  it('is not added to where its first copy is damaged or gone', async () => {
    const image = bytesOf('damaged.img');
    const table = tableOf(memorySource(image));
    const damaged = flipBit(image, 512 + 60);
    expect(await codeFor(() => addPartition(cardOf(damaged), imageBytes, table, partition))).toBe(
      'seed.table-unfit',
    );
    const gone = Buffer.from(image).fill(0, 512, 1024);
    expect(await codeFor(() => addToGpt(cardOf(gone), imageBytes, table, partition, 3))).toBe(
      'seed.table-unfit',
    );
  });

  it('is not added to where the volume would lie under its second copy', async () => {
    const image = bytesOf('under.img');
    const last = { ...partition, startByte: 124 * mib };
    const table = tableOf(memorySource(image));
    expect(await codeFor(() => addToGpt(cardOf(image), imageBytes, table, last, 3))).toBe('seed.table-unfit');
  });

  it('is not added to where its entries reach past the first MiB', () => {
    const image = bytesOf('long.img');
    const table = tableOf(memorySource(image));
    const header = withFields(image.subarray(512, 1024), (fields) => fields.writeBigUInt64LE(2040n, 72));
    header.copy(image, 512);
    expect(findTableRoom(memorySource(image), table)).toEqual({
      ok: false,
      why: 'its entries reach past the first MiB',
    });
  });

  it.each([
    ['is not within the image', (image: Buffer) => image.subarray(0, 63 * mib), 0],
    ['is gone', (image: Buffer) => image.fill(0, imageBytes - 512), 0],
    [
      'is of another disk',
      (image: Buffer) => {
        withFields(image.subarray(imageBytes - 512), (fields) => fields.fill(0x55, 56, 72)).copy(
          image,
          imageBytes - 512,
        );
        return image;
      },
      0,
    ],
    [
      'has its entries elsewhere',
      (image: Buffer) => {
        withFields(image.subarray(imageBytes - 512), (fields) => fields.writeBigUInt64LE(2n, 72)).copy(
          image,
          imageBytes - 512,
        );
        return image;
      },
      1,
    ],
  ] as const)(
    'has nothing cleared of its second copy that is not known: it %s',
    (_title, change, cleared) => {
      const image = bytesOf('second.img');
      const table = tableOf(memorySource(image));
      const changed = change(image);
      const changes = addToGpt(cardOf(changed), changed.length, table, partition, 3);
      const inside = changes.filter(({ offset }) => offset > mib && offset < imageBytes);
      expect(inside).toHaveLength(cleared);
      for (const { offset, data } of inside) {
        expect(offset).toBe(imageBytes - 512);
        expect(data.every((byte) => byte === 0)).toBe(true);
      }
    },
  );
});

describe('a place at the far end', () => {
  const room = fc.record({
    kind: fc.constantFrom('mbr' as const, 'gpt' as const),
    sectorBytes: fc.constantFrom(512, 4096),
    freeNumber: fc.constant(1),
    entryCount: fc.constant(128),
    endByte: fc.integer({ min: 0, max: 2 ** 40 }),
    backupBytes: fc.integer({ min: 0, max: 64 }).map((n) => n * 4096),
  });
  const imageBytes = fc.integer({ min: 1, max: 2 ** 40 });
  const sizeBytes = fc.integer({ min: 1, max: 512 }).map((n) => n * mib);

  it('overlaps neither image nor second copy, is aligned, and lies inside the card', () => {
    const cardBytes = fc.integer({ min: 0, max: 2 ** 41 });
    fc.assert(
      fc.property(room, imageBytes, sizeBytes, cardBytes, (table, image, size, card) => {
        const place = placeAtFarEnd({ sizeBytes: card }, image, table, size);
        if (place === null) {
          expect(card).toBeLessThan(smallestCard(image, table, size));
          return;
        }
        expect(place.sizeBytes).toBe(size);
        expect(place.startByte % mib).toBe(0);
        expect(place.startByte).toBeGreaterThanOrEqual(Math.max(image, table.endByte));
        const usable = Math.floor(card / table.sectorBytes) * table.sectorBytes - table.backupBytes;
        expect(place.startByte + size).toBeLessThanOrEqual(usable);
        // No place further out would do.
        expect(place.startByte + size).toBeGreaterThan(usable - mib);
      }),
    );
  });

  it('is there on the smallest card and on none that is a sector smaller', () => {
    fc.assert(
      fc.property(room, imageBytes, sizeBytes, (table, image, size) => {
        const smallest = smallestCard(image, table, size);
        expect(placeAtFarEnd({ sizeBytes: smallest }, image, table, size)).not.toBeNull();
        expect(placeAtFarEnd({ sizeBytes: smallest - table.sectorBytes }, image, table, size)).toBeNull();
      }),
    );
  });
});

describeWith(['program:sgdisk'], 'a card with one more partition', () => {
  it('reads as a sound one, and without a hint of an overlap', () => {
    const { card } = addOnCard(makeGoldenGpt(path.join(folder, 'sound.img')), 128 * mib);
    const layout = examineLayout(fileSource(card), { withBackup: true, isWhole: true });
    expect(layout.table?.partitions).toHaveLength(3);
    expect(layout.findings).toEqual([]);
  });
});
