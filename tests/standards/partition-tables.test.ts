import fs from 'node:fs';
import path from 'node:path';
import type { ImageTable } from '../../src/contract/image.ts';
import { readHeader } from '../../src/image/table/gpt-header.ts';
import { readGuid } from '../../src/image/table/guid.ts';
import { isExtended, protectiveType } from '../../src/image/table/mbr-sector.ts';
import { readGpt } from '../../src/image/table/read-gpt.ts';
import { readMbr } from '../../src/image/table/read-mbr.ts';
import { fileSource, makeGoldenGpt, partitionByRecipe, run, sha256, workFolder } from '../image/recipes.ts';
import { compareRows, type Row } from './compare-rows.ts';

const folder = workFolder();
const mib = 2 ** 20;

/** Both are made once. */
let goldenMbrFile: string | null = null;
function goldenMbr(): string {
  goldenMbrFile ??= partitionByRecipe(path.join(folder, 'mbr.img'), 'golden-mbr');
  return goldenMbrFile;
}

let goldenGptFile: string | null = null;
function goldenGpt(): string {
  goldenGptFile ??= makeGoldenGpt(path.join(folder, 'gpt.img'));
  return goldenGptFile;
}

const asLines = (table: Pick<ImageTable, 'partitions' | 'diskId'> | null | undefined) => [
  table?.diskId,
  ...(table?.partitions ?? []).map((p) =>
    [p.number, p.startByte, p.sizeBytes, p.type, p.name, p.bootable].join(' '),
  ),
];

interface SfdiskPartition {
  node: string;
  start: number;
  size: number;
  type: string;
  name?: string;
  bootable?: boolean;
}

/** The same lines out of `sfdisk --json`. */
function sfdiskLines(file: string): unknown[] {
  const { partitiontable: table } = JSON.parse(run('sfdisk', ['--json', file]).toString());
  const id = table.label === 'dos' ? table.id.replace('0x', '') : table.id;
  const lines = table.partitions.map((p: SfdiskPartition) => {
    const type = table.label === 'dos' ? p.type.padStart(2, '0') : p.type;
    const place = [p.start * table.sectorsize, p.size * table.sectorsize];
    return [p.node.slice(file.length), ...place, type, p.name ?? null, p.bootable ?? false].join(' ');
  });
  return [id, ...lines];
}

const mbrEntries = Buffer.from(
  '785634120000808203000c961204002000000000010000961304832820080020010000e00000',
  'hex',
);

const mbrRows: Row<unknown>[] = [
  {
    value: 'signature and entries as sfdisk 2.38.1 stores them',
    source: 'UEFI 2.11 section 5.2.1, table 5.1',
    ours: () => {
      const sector = Buffer.alloc(512);
      mbrEntries.copy(sector, 440);
      sector.set([0x55, 0xaa], 510);
      const source = {
        sizeBytes: 512,
        read: (at: number, length: number) => sector.subarray(at, at + length),
      };
      return asLines(readMbr(source)?.table);
    },
    expected: ['12345678', `1 ${4 * mib} ${32 * mib} 0c  true`, `2 ${36 * mib} ${28 * mib} 83  false`],
    reference: { programs: ['sfdisk'], says: () => sfdiskLines(goldenMbr()) },
  },
  {
    value: 'the golden image of 64 MiB',
    source: 'sfdisk 2.38.1, made and hashed apart from these tests',
    ours: () => [
      asLines(readMbr(fileSource(goldenMbr()))?.table).length,
      sha256(fs.readFileSync(goldenMbr())),
    ],
    expected: [3, '5ea3ca2c27bd7a8b96e423c1bfa1df787913bd46f9f42aa62cd868dad6f022ff'],
    reference: {
      programs: ['sfdisk', 'sha256sum'],
      says: () => [sfdiskLines(goldenMbr()).length, run('sha256sum', [goldenMbr()]).toString().slice(0, 64)],
    },
  },
  {
    value: 'types of extended partitions: 05, 0f, 85',
    source: 'sfdisk 2.38.1 --label dos -T',
    ours: () => Array.from({ length: 256 }, (_, type) => type).filter(isExtended),
    expected: [0x05, 0x0f, 0x85],
    reference: {
      programs: ['sfdisk'],
      says: () =>
        [
          ...run('sfdisk', ['--label', 'dos', '-T'])
            .toString()
            .matchAll(/^ *([0-9a-f]+) +(.*)$/gm),
        ]
          .filter(([, , name]) => ['Extended', "W95 Ext'd (LBA)", 'Linux extended'].includes(name ?? ''))
          .map(([, digits]) => Number.parseInt(digits ?? '', 16)),
    },
  },
  {
    value: 'the type that announces a GPT is ee',
    source: 'UEFI 2.11 section 5.2.3',
    ours: () => protectiveType,
    expected: 0xee,
    reference: {
      programs: ['sgdisk'],
      says: () => fs.readFileSync(goldenGpt())[450],
    },
  },
];
compareRows('MBR', mbrRows);

const announced = { withBackup: true, isAnnounced: true };
const header = (block: number) => {
  const reading = readHeader(fileSource(goldenGpt()), block, 512);
  const stored = fs.readFileSync(goldenGpt()).readUInt32LE(block * 512 + 16);
  return [reading?.problems.length, stored.toString(16), reading?.header?.entriesCrc32.toString(16)];
};
/** "No problems found" of sgdisk -v, which computes all four checksums itself. */
const verified = (expected: unknown[]) => ({
  programs: ['sgdisk'],
  says: () =>
    /No problems found/.test(run('sgdisk', ['-v', goldenGpt()]).toString()) ? expected : 'problems',
});
const crcSource = 'UEFI 2.11 section 5.3.2; sgdisk 1.0.9';

compareRows<unknown>('GPT', [
  {
    value: 'header checksum ea842c29, entries b27236a8',
    source: crcSource,
    ours: () => header(1),
    expected: [0, 'ea842c29', 'b27236a8'],
    reference: verified([0, 'ea842c29', 'b27236a8']),
  },
  {
    value: 'backup header checksum 6488e0ec at block 131071',
    source: crcSource,
    ours: () => header(131_071),
    expected: [0, '6488e0ec', 'b27236a8'],
    reference: verified([0, '6488e0ec', 'b27236a8']),
  },
  {
    value: 'usable blocks 34 to 131038 of 64 MiB',
    source: 'UEFI 2.11 section 5.3.2',
    ours: () => {
      const { header: found } = readHeader(fileSource(goldenGpt()), 1, 512) ?? {};
      return [found?.firstUsableBlock, found?.lastUsableBlock, found?.alternateBlock];
    },
    expected: [34, 131_038, 131_071],
    reference: {
      programs: ['sfdisk', 'sgdisk'],
      says: () => {
        const { partitiontable: table } = JSON.parse(run('sfdisk', ['--json', goldenGpt()]).toString());
        return [table.firstlba, table.lastlba, fs.statSync(goldenGpt()).size / 512 - 1];
      },
    },
  },
  {
    value: 'disk GUID, partitions, types and names',
    source: 'UEFI 2.11 section 5.3.3; Discoverable Partitions Specification, root of arm64',
    ours: () => asLines(readGpt(fileSource(goldenGpt()), announced)?.table),
    expected: [
      '01234567-89AB-CDEF-0123-456789ABCDEF',
      `1 ${mib} ${16 * mib} C12A7328-F81F-11D2-BA4B-00A0C93EC93B boot false`,
      `2 ${17 * mib} ${47 * mib - 33 * 512} B921B045-1DF0-41C3-AF44-4C6F280D3FAE root false`,
    ],
    reference: { programs: ['sfdisk', 'sgdisk'], says: () => sfdiskLines(goldenGpt()) },
  },
  {
    value: 'the golden image of 64 MiB',
    source: 'sgdisk 1.0.9, made and hashed apart from these tests',
    ours: () => [readGpt(fileSource(goldenGpt()), announced)?.findings, sha256(fs.readFileSync(goldenGpt()))],
    expected: [[], '07c596c4c4cd78e082e80622c15937ef425cba680ea8a462bf199eb9c737f62a'],
    reference: {
      programs: ['sgdisk', 'sha256sum'],
      says: () => [[], run('sha256sum', [goldenGpt()]).toString().slice(0, 64)],
    },
  },
  {
    value: 'GUIDs are mixed-endian on disk',
    source: 'UEFI 2.11 appendix A; RFC 4122 section 4.1.2',
    ours: () => readGuid(Buffer.from('28732ac11ff8d211ba4b00a0c93ec93b', 'hex'), 0),
    expected: 'C12A7328-F81F-11D2-BA4B-00A0C93EC93B',
    reference: {
      programs: ['python3'],
      says: () => {
        const program =
          "import uuid; print(uuid.UUID(bytes_le=bytes.fromhex('28732ac11ff8d211ba4b00a0c93ec93b')))";
        return run('python3', ['-c', program]).toString().trim().toUpperCase();
      },
    },
  },
]);
