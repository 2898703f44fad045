import fs from 'node:fs';
import path from 'node:path';
import type { ContainerKind } from '../../src/contract/image.ts';
import { readBzip2 } from '../../src/image/container/bzip2.ts';
import { detectContainer } from '../../src/image/container/detect-container.ts';
import { readGzip } from '../../src/image/container/gzip.ts';
import { readXz } from '../../src/image/container/xz.ts';
import { readZip } from '../../src/image/container/zip.ts';
import { readZstd } from '../../src/image/container/zstd.ts';
import { readFrameHeader } from '../../src/image/container/zstd-frame.ts';
import { memorySource, noise, run, workFolder } from '../image/recipes.ts';
import { compareRows, type Row } from './compare-rows.ts';

const folder = workFolder();

function magicRow(expected: ContainerKind, head: string, source: string): Row<string> {
  return {
    value: `${head} begins ${expected === 'raw' ? 'no container' : expected}`,
    source,
    ours: () => detectContainer(Buffer.from(head, 'hex')),
    expected,
  };
}

compareRows('magic bytes', [
  magicRow('gz', '1f8b0800000000000003', 'RFC 1952 section 2.3.1'),
  magicRow('xz', 'fd377a585a000004e6d6', 'xz-file-format section 2.1.1.1'),
  magicRow('zst', '28b52ffd240001000099', 'RFC 8878 section 3.1.1'),
  magicRow('zst', '502a4d1804000000aabb', 'RFC 8878 section 3.1.2, skippable frames'),
  magicRow('zst', '5f2a4d1804000000aabb', 'RFC 8878 section 3.1.2, skippable frames'),
  magicRow('bz2', '425a6839314159265359', 'bzip2 1.0.8, as dumped'),
  magicRow('bz2', '425a6831177245385090', 'bzip2 1.0.8, as dumped: an empty file'),
  magicRow('zip', '504b0304140000000800', 'APPNOTE 4.3.7'),
  magicRow('zip', '504b0506000000000000', 'APPNOTE 4.3.16, an empty archive'),
  magicRow('raw', '425a6839202020202020', 'bzip2 1.0.8: no block behind its level'),
  magicRow('raw', '602a4d1804000000aabb', 'RFC 8878 section 3.1.2: past the last skippable magic'),
  magicRow('raw', '504b0708000000000000', 'APPNOTE 4.3.9: a data descriptor begins no archive'),
  magicRow('raw', 'eb3c906d6b66732e6661', 'Microsoft FAT specification 1.03: a boot sector'),
]);

const save = (name: string, bytes: Uint8Array) => {
  const file = path.join(folder, name);
  fs.writeFileSync(file, bytes);
  return file;
};
const cells = (file: string, line: string) =>
  run('xz', ['--robot', '-lvv', file])
    .toString()
    .split('\n')
    .find((row) => row.startsWith(line))
    ?.split('\t') ?? [];
const lazily = <T>(make: () => T): (() => T) => {
  let made: { value: T } | null = null;
  return () => {
    made ??= { value: make() };
    return made.value;
  };
};

const xz = (input: string | Uint8Array, ...args: string[]) => run('xz', ['-c', ...args], input);
const twice = lazily(() => Buffer.concat([xz('hello world\n'), xz('hello world\n')]));
const padded = lazily(() => Buffer.concat([xz('hello world\n'), Buffer.alloc(20)]));
const blocks = lazily(() => xz(noise(100_000), '--block-size=20000'));
const reserved = 'xz-file-format section 2.1.1.2';

/** Streams, blocks and unpacked bytes, as we read them and as `xz --robot -l` lists them (xz(1), columns 2, 3, 5). */
function xzSizeRow(value: string, source: string, make: () => Buffer, expected: number[]): Row<number[]> {
  return {
    value,
    source,
    ours: () => {
      const facts = readXz(memorySource(make()));
      return [facts.streams, facts.blocks, facts.sizeBytes];
    },
    expected,
    reference: {
      programs: ['xz'],
      says: () => [1, 2, 4].map((column) => Number(cells(save('sizes.xz', make()), 'file')[column])),
    },
  };
}

function xzCheckRow(name: string, id: number): Row<unknown[]> {
  const make = lazily(() => xz('x', `--check=${name}`));
  return {
    value: `the check ${name} is stored as ${id}`,
    source: reserved,
    ours: () => {
      const facts = readXz(memorySource(make()));
      return [make()[7], facts.checks[0], facts.findings.map(({ code }) => code)];
    },
    expected: [id, name, id === 0 ? ['image.no-integrity'] : []],
    reference: {
      programs: ['xz'],
      says: () => {
        const listed = cells(save('check.xz', make()), 'file')[6]?.toLowerCase().replace('-', '') ?? '';
        return [make()[7], listed, listed === 'none' ? ['image.no-integrity'] : []];
      },
    },
  };
}

compareRows<unknown>('xz', [
  xzSizeRow('two streams of 12 bytes unpack to 24', 'xz-file-format section 2', twice, [2, 2, 24]),
  xzSizeRow('padding in fours is passed over', 'xz-file-format section 2.2', padded, [1, 1, 12]),
  xzSizeRow('blocks are added up from the index', 'xz-file-format section 4', blocks, [1, 5, 100_000]),
  {
    value: 'an empty file packs to 32 bytes',
    source: 'xz 5.4.1',
    ours: () => readXz(memorySource(xz(''))).sizeBytes,
    expected: 0,
    reference: { programs: ['xz'], says: () => xz('').length - 32 },
  },
  xzCheckRow('none', 0),
  xzCheckRow('crc32', 1),
  xzCheckRow('crc64', 4),
  xzCheckRow('sha256', 10),
]);

/** `zstd -lv`: "Decompressed Size: 296 KiB (300000 B)"; null where it does not know. */
function zstdListed(file: string): number | null {
  const said = /Decompressed Size:.*\((\d+) B\)/.exec(run('zstd', ['-lv', file]).toString())?.[1];
  return said === undefined ? null : Number(said);
}

function zstdRow(
  value: string,
  source: string,
  make: () => Buffer,
  expected: number | null,
): Row<number | null> {
  return {
    value,
    source,
    ours: () => readZstd(memorySource(make())).sizeBytes,
    expected,
    reference: { programs: ['zstd'], says: () => zstdListed(save('listed.zst', make())) },
  };
}

const zstdOf = (length: number) =>
  lazily(() => run('zstd', ['-q', '-c', save(`plain-${length}`, noise(length))]));
const contentSize = 'RFC 8878 section 3.1.1.1.4';
const skippable = Buffer.from('522a4d1803000000616263', 'hex');

compareRows<unknown>('zstd', [
  ...[1, 255, 256, 300, 65_791, 65_792, 300_000].map((length) =>
    zstdRow(`a frame of ${length} bytes says so`, contentSize, zstdOf(length), length),
  ),
  {
    value: '300 bytes are stored as 2c00, less 256',
    source: contentSize,
    ours: () => readFrameHeader(Buffer.from('28b52ffd642c00', 'hex'))?.contentBytes,
    expected: 300,
    reference: {
      programs: ['zstd'],
      says: () => {
        const bytes = zstdOf(300)();
        const isSo = bytes.subarray(0, 7).toString('hex') === '28b52ffd642c00';
        return isSo ? zstdListed(save('300.zst', bytes)) : 'stored otherwise';
      },
    },
  },
  zstdRow(
    'frames are added up, skippable ones passed over',
    'RFC 8878 sections 3.1 and 3.1.2',
    () => Buffer.concat([zstdOf(300)(), skippable, zstdOf(256)()]),
    556,
  ),
  zstdRow(
    'a frame from a pipe does not say',
    contentSize,
    () => run('zstd', ['-q', '-c'], noise(1000)),
    null,
  ),
]);

const emptyBzip2 = '425a683917724538509000000000';
const bzip2Head = Buffer.from(emptyBzip2, 'hex');

const others: Row<unknown>[] = [
  {
    value: 'an empty gz has 20 bytes and the hint 0',
    source: 'RFC 1952 section 2.3; gzip 1.12',
    ours: () => {
      const bytes = run('gzip', ['-c'], '');
      return [bytes.length, readGzip(memorySource(bytes)).findings[0]?.facts.hintBytes];
    },
    expected: [20, 0],
    reference: {
      programs: ['gzip'],
      says: () => [run('gzip', ['-c'], '').length, run('gzip', ['-dc'], run('gzip', ['-c'], '')).length],
    },
  },
  {
    value: 'ISIZE is of the last member only',
    source: 'RFC 1952 sections 2.2 and 2.3.1',
    ours: () => {
      const bytes = Buffer.concat([run('gzip', ['-c'], noise(1000)), run('gzip', ['-c'], noise(7))]);
      const facts = readGzip(memorySource(bytes));
      return [facts.sizeBytes, facts.findings[0]?.facts.hintBytes];
    },
    expected: [null, 7],
  },
  {
    value: `an empty bz2 is ${emptyBzip2}, and no size is stored`,
    source: 'bzip2 1.0.8, as dumped',
    ours: () => [detectContainer(bzip2Head), readBzip2(memorySource(bzip2Head)).sizeBytes],
    expected: ['bz2', null],
    reference: {
      programs: ['bzip2'],
      says: () => (run('bzip2', ['-c'], '').equals(bzip2Head) ? ['bz2', null] : 'other bytes'),
    },
  },
  {
    value: 'the size of a zip member that was streamed stands in the directory',
    source: 'APPNOTE 4.3.9 and 4.4.4 (from memory); zip 3.0',
    ours: async () => (await readZip(memorySource(run('zip', ['-q', '-', '-'], noise(5000))))).sizeBytes,
    expected: 5000,
    reference: {
      programs: ['zip', 'python3'],
      says: () => {
        const program = 'import sys, zipfile; print(zipfile.ZipFile(sys.argv[1]).infolist()[0].file_size)';
        const file = save('streamed.zip', run('zip', ['-q', '-', '-'], noise(5000)));
        return Number(run('python3', ['-c', program, file]));
      },
    },
  },
];
compareRows('gzip, bzip2 and zip', others);
