import fs from 'node:fs';
import path from 'node:path';
import { crc32 } from 'node:zlib';
import { describe, expect, it } from 'vitest';
import type { ImagePartition } from '../../src/contract/image.ts';
import { checkPartitions } from '../../src/image/table/check-partitions.ts';
import { readEntries } from '../../src/image/table/mbr-sector.ts';
import { readGpt } from '../../src/image/table/read-gpt.ts';
import { readMbr } from '../../src/image/table/read-mbr.ts';
import { readTable } from '../../src/image/table/read-table.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withCleanup } from '../lab/cleanup.ts';
import {
  fileSource,
  makeGoldenGpt,
  memorySource,
  overwrite,
  partitionByRecipe,
  run,
  sparseFile,
  statusOf,
  workFolder,
} from './recipes.ts';

const folder = workFolder();
const mib = 2 ** 20;
const codes = (reading: { findings: { code: string; severity: string }[] } | null) =>
  reading?.findings.map(({ code, severity }) => `${severity} ${code}`);

/** What sfdisk says of a file, in our terms. */
function bySfdisk(file: string) {
  const { partitiontable: table } = JSON.parse(run('sfdisk', ['--json', file]).toString());
  return table.partitions.map(
    (p: { node: string; start: number; size: number; type: string; bootable?: boolean }) => ({
      number: Number(p.node.slice(file.length)),
      startByte: p.start * table.sectorsize,
      sizeBytes: p.size * table.sectorsize,
      type: p.type.length > 2 ? p.type : p.type.padStart(2, '0'),
    }),
  );
}

const bare = (partitions: readonly ImagePartition[]) =>
  partitions.map(({ number, startByte, sizeBytes, type }) => ({ number, startByte, sizeBytes, type }));

describeWith(['program:sfdisk'], 'an MBR', () => {
  it.each(['logical-partitions', 'out-of-order'])('%s, as sfdisk lists it', (recipe) => {
    const file = partitionByRecipe(path.join(folder, `${recipe}.img`), recipe);
    const reading = readMbr(fileSource(file));
    expect(bare(reading?.table.partitions ?? [])).toEqual(bySfdisk(file));
    expect(reading?.findings).toEqual([]);
    expect(checkPartitions(reading!.table, fs.statSync(file).size, false)).toEqual([]);
  });

  it('damage in a chain of logical partitions is named', () => {
    const file = partitionByRecipe(path.join(folder, 'chain.img'), 'logical-partitions');
    const whole = fs.readFileSync(file);
    // the link in the first extended record, at its second entry
    const link = 20480 * 512 + 446 + 16;
    const withLink = (sector: number) => {
      const bytes = Buffer.from(whole);
      bytes.writeUInt32LE(sector, link + 8);
      return readMbr(memorySource(bytes));
    };
    expect(codes(withLink(0))).toEqual(['refuse image.table-damaged']);
    expect(withLink(0)?.findings[0]?.facts.problem).toMatch(/circle/);
    expect(withLink(106_496)?.findings[0]?.facts.problem).toMatch(/outside/);
    expect(withLink(7)?.findings[0]?.facts.problem).toMatch(/no record/);
  });

  it('is none without 55 AA, or with boot indicators other than 00 and 80', () => {
    const bytes = Buffer.alloc(512);
    bytes.set([0x55, 0xaa], 510);
    expect(readMbr(memorySource(bytes))).toBeNull();
    expect(readEntries(bytes)).toEqual([]);
    bytes[446] = 0x7f;
    expect(readEntries(bytes)).toBeNull();
    expect(readMbr(memorySource(Buffer.alloc(100)))).toBeNull();
  });
});

let golden: Buffer | null = null;

/** The golden image, made by sgdisk once and copied then: it ends every change with a sync of the whole machine. */
const goldenGpt = (file: string) => {
  golden ??= fs.readFileSync(makeGoldenGpt(path.join(folder, 'golden')));
  fs.writeFileSync(file, golden);
  return file;
};

const announced = { withBackup: true, isAnnounced: true };

describeWith(['program:sgdisk', 'program:sfdisk'], 'a GPT', () => {
  const damage: [string, (bytes: Buffer) => void, string][] = [
    ['a bit in the header', (b) => b.writeUInt8((b[512 + 56] ?? 0) ^ 1, 512 + 56), 'checksum of its header'],
    [
      'a bit in the entries',
      (b) => b.writeUInt8((b[1024 + 32] ?? 0) ^ 1, 1024 + 32),
      'checksum of its entries',
    ],
    ['no first copy', (b) => b.fill(0, 512, 34 * 512), 'first copy is not there'],
    [
      'the wrong block',
      (b) => {
        b.writeUInt32LE(2, 512 + 24);
        resum(b, 512);
      },
      'but says 2',
    ],
    [
      'entries without end',
      (b) => {
        b.writeUInt32LE(0xffffffff, 512 + 80);
        resum(b, 512);
      },
      'entries',
    ],
    [
      'entries of odd size',
      (b) => {
        b.writeUInt32LE(96, 512 + 84);
        resum(b, 512);
      },
      '96 bytes',
    ],
  ];

  function resum(bytes: Buffer, at: number): void {
    bytes.writeUInt32LE(0, at + 16);
    bytes.writeUInt32LE(crc32(bytes.subarray(at, at + 92)), at + 16);
  }

  it.each(damage)('%s is damage, and sgdisk -v sees it too', (_name, spoil, problem) => {
    const file = goldenGpt(path.join(folder, 'gpt.img'));
    const bytes = fs.readFileSync(file);
    spoil(bytes);
    fs.writeFileSync(file, bytes);
    const reading = readGpt(memorySource(bytes), announced);
    expect(codes(reading)).toEqual(['refuse image.table-damaged']);
    expect(reading?.findings[0]?.facts.problem).toContain(problem);
    // the copy at the end still tells what was there
    expect(reading?.table?.partitions.length).toBe(2);
    // for the endless one sgdisk 1.0.9 ends with bad_alloc
    const said =
      statusOf('sgdisk', ['-v', file]) === 0 ? run('sgdisk', ['-v', file]).toString() : 'no answer';
    expect(said).toMatch(/corrupt|invalid|Problem|no answer/);
  });

  it('a damaged or missing second copy is a note', () => {
    const file = goldenGpt(path.join(folder, 'gpt.img'));
    const bytes = fs.readFileSync(file);
    const spoiled = Buffer.from(bytes);
    spoiled.writeUInt8(0, 131_071 * 512);
    expect(codes(readGpt(memorySource(spoiled), announced))).toEqual(['note image.backup-table-missing']);
    spoiled.set(bytes.subarray(131_071 * 512), 131_071 * 512);
    spoiled.writeUInt8(1, 131_071 * 512 + 60);
    expect(codes(readGpt(memorySource(spoiled), announced))).toEqual(['note image.backup-table-damaged']);
  });

  it('an image on a larger card is as right as before; a cut one is not (sgdisk says the same)', () => {
    const file = goldenGpt(path.join(folder, 'gpt.img'));
    const bytes = fs.readFileSync(file);
    const larger = memorySource(Buffer.concat([bytes, Buffer.alloc(8 * mib)]));
    expect(readGpt(larger, announced)?.findings).toEqual([]);
    const cut = memorySource(bytes.subarray(0, 60 * mib));
    const reading = readGpt(cut, announced);
    expect(codes(reading)).toEqual(['note image.backup-table-missing']);
    expect(checkPartitions(reading!.table!, cut.sizeBytes, false).map(({ code }) => code)).toEqual([
      'image.incomplete',
    ]);
  });

  it('notes: a hybrid MBR, a protective entry longer than the image, a GPT that is not announced', () => {
    const file = goldenGpt(path.join(folder, 'gpt.img'));
    const bytes = fs.readFileSync(file);
    const tableCodes = (b: Buffer) => codes(readTable(memorySource(b), { withBackup: true }, []));
    expect(tableCodes(bytes)).toEqual([]);
    const longer = Buffer.from(bytes);
    longer.writeUInt32LE(9_999_999, 446 + 12);
    expect(tableCodes(longer)).toEqual(['note image.entry-longer-than-image']);
    // all of a disk beyond 2 TiB: UEFI 2.11 section 5.2.3
    longer.writeUInt32LE(0xffffffff, 446 + 12);
    expect(tableCodes(longer)).toEqual([]);
    run('sgdisk', ['-h', '1', file]);
    expect(tableCodes(fs.readFileSync(file))).toEqual(['note image.hybrid-mbr']);
    const silent = Buffer.from(bytes);
    silent.fill(0, 446, 510);
    expect(tableCodes(silent)).toEqual(['note image.gpt-without-protection']);
  });
});

describeWith(['root', 'loop', 'program:sgdisk', 'program:sfdisk'], 'tables for sectors of 4096 bytes', () => {
  it('GPT: read at byte 4096, as sfdisk reads it on such a disk', () =>
    withCleanup(async () => {
      const file = sparseFile(path.join(folder, '4k-gpt.img'), 64 * mib);
      const loop = run('losetup', ['-f', '--show', '-b', '4096', file]).toString().trim();
      let listed: unknown;
      try {
        run('sgdisk', ['-n', '1:256:+16M', '-t', '1:EF00', '-n', '2:0:0', '-c', '2:root', loop]);
        const { partitiontable: table } = JSON.parse(run('sfdisk', ['--json', loop]).toString());
        expect(table.sectorsize).toBe(4096);
        listed = table.partitions.map((p: { start: number; size: number }) => [
          p.start * 4096,
          p.size * 4096,
        ]);
      } finally {
        run('losetup', ['-d', loop]);
      }
      const reading = readTable(fileSource(file), { withBackup: true }, []);
      expect(reading?.table?.sectorBytes).toBe(4096);
      expect(reading?.table?.partitions.map((p) => [p.startByte, p.sizeBytes])).toEqual(listed);
      expect(codes(reading)).toEqual(['note image.sector-size']);
    }));

  it('MBR: recognised by what stands at its places', () => {
    const file = sparseFile(path.join(folder, '4k-mbr.img'), 64 * mib);
    run('sfdisk', ['-q', file], 'label: dos\nstart=2048, size=4096, type=c\n');
    expect(readTable(fileSource(file), { withBackup: true }, [])?.table?.sectorBytes).toBe(512);
    const volume = sparseFile(path.join(folder, '4k.fat'), 16 * mib);
    run('mkfs.vfat', ['-S', '4096', volume]);
    overwrite(file, 2048 * 4096, fs.readFileSync(volume));
    const table = readTable(fileSource(file), { withBackup: true }, [])?.table;
    expect(table).toMatchObject({
      sectorBytes: 4096,
      partitions: [{ startByte: 8 * mib, sizeBytes: 16 * mib }],
    });
  });
});

describe('where partitions lie', () => {
  const at = (number: number, startByte: number, sizeBytes: number, type = '83'): ImagePartition => ({
    number,
    startByte,
    sizeBytes,
    type,
    name: null,
    bootable: false,
  });
  const check = (partitions: ImagePartition[], sizeBytes = 1000, isHybrid = false) =>
    checkPartitions({ kind: 'mbr', sectorBytes: 512, diskId: '', partitions }, sizeBytes, isHybrid).map(
      ({ code, severity, facts }) => [
        severity,
        code,
        facts.first ?? facts.part ?? facts.partition ?? facts.entry,
      ],
    );

  it('in the image, one after another: nothing to say', () => {
    expect(check([at(1, 100, 400), at(2, 500, 500)])).toEqual([]);
  });

  it('past the end is incomplete', () => {
    expect(check([at(1, 100, 400), at(2, 500, 501)])).toEqual([
      ['refuse', 'image.incomplete', 'partition 2'],
    ]);
  });

  it('overlaps are refused, also where a long one covers several', () => {
    expect(check([at(1, 100, 800), at(2, 200, 10), at(3, 300, 10)])).toEqual([
      ['refuse', 'image.partitions-overlap', 1],
      ['refuse', 'image.partitions-overlap', 1],
    ]);
  });

  it('an extended partition covers its logical ones', () => {
    expect(check([at(1, 100, 100), at(2, 200, 700, '05'), at(5, 210, 50)])).toEqual([]);
  });

  it('in a hybrid image overlaps, block 0 and a rounded-up entry are notes; a real cut is not', () => {
    expect(check([at(1, 0, 1010, '17'), at(2, 300, 50, 'ef')], 1000, true)).toEqual([
      ['note', 'image.entry-longer-than-image', 'partition 1'],
      ['note', 'image.overlap-in-hybrid', 1],
      ['note', 'image.partition-at-block-0', 1],
    ]);
    expect(check([at(1, 300, 1000)], 1000, true)).toEqual([['refuse', 'image.incomplete', 'partition 1']]);
  });
});
