/** Tables and volumes that no tool makes, built byte by byte after the standards that the readers name. */
import { crc32 } from 'node:zlib';
import { describe, expect, it } from 'vitest';
import type { ByteSource } from '../../src/contract/blocks.ts';
import { describeFinding } from '../../src/contract/finding.ts';
import { checkPartitions } from '../../src/image/table/check-partitions.ts';
import { followChain } from '../../src/image/table/extended-partitions.ts';
import { probeVolume } from '../../src/image/table/probe-volume.ts';
import { readGpt } from '../../src/image/table/read-gpt.ts';
import { readTable } from '../../src/image/table/read-table.ts';
import { memorySource } from './recipes.ts';

interface Header {
  block: number;
  alternate: number;
  entriesBlock: number;
  change?: (header: Buffer) => void;
}

const sectors = 256;
const typeGuid = '28732ac11ff8d211ba4b00a0c93ec93b';

/** One partition of 8 blocks from block 64 on; entries of 128 bytes (UEFI 2.11 table 5.6). */
function entryArray(count = 4): Buffer {
  const entries = Buffer.alloc(count * 128);
  if (count === 0) return entries;
  entries.write(typeGuid, 0, 'hex');
  entries.writeBigUInt64LE(64n, 32);
  entries.writeBigUInt64LE(71n, 40);
  return entries;
}

/** A header of 92 bytes with its checksum (UEFI 2.11 table 5.5). */
function putHeader(image: Buffer, sectorBytes: number, entries: Buffer, header: Header): void {
  const made = Buffer.alloc(92);
  made.write('EFI PART');
  made.writeUInt32LE(0x10000, 8);
  made.writeUInt32LE(92, 12);
  made.writeBigUInt64LE(BigInt(header.block), 24);
  made.writeBigUInt64LE(BigInt(header.alternate), 32);
  made.writeBigUInt64LE(40n, 40);
  made.writeBigUInt64LE(200n, 48);
  made.write('67452301ab89efcd0123456789abcdef', 56, 'hex');
  made.writeBigUInt64LE(BigInt(header.entriesBlock), 72);
  made.writeUInt32LE(entries.length / 128, 80);
  made.writeUInt32LE(128, 84);
  made.writeUInt32LE(crc32(entries), 88);
  header.change?.(made);
  made.writeUInt32LE(crc32(made), 16);
  made.copy(image, header.block * sectorBytes);
  entries.copy(image, header.entriesBlock * sectorBytes);
}

interface Wanted {
  sectorBytes?: number;
  entries?: Buffer;
  first?: ((header: Buffer) => void) | null;
  second?: ((header: Buffer) => void) | null;
  secondEntries?: Buffer;
}

/** A disk with a protective MBR and both copies of a GPT; null leaves one out. */
function gptImage({ sectorBytes = 512, entries = entryArray(), ...wanted }: Wanted = {}): Buffer {
  const image = Buffer.alloc(sectors * sectorBytes);
  const last = sectors - 1;
  image[450] = 0xee;
  image.writeUInt32LE(1, 454);
  image.writeUInt32LE(0xffffffff, 458);
  image.writeUInt16LE(0xaa55, 510);
  const first = { block: 1, alternate: last, entriesBlock: 2 };
  const second = { block: last, alternate: 1, entriesBlock: last - 32 };
  if (wanted.first !== null) {
    putHeader(image, sectorBytes, entries, { ...first, ...(wanted.first ? { change: wanted.first } : {}) });
  }
  if (wanted.second !== null) {
    const more = wanted.second ? { change: wanted.second } : {};
    putHeader(image, sectorBytes, wanted.secondEntries ?? entries, { ...second, ...more });
  }
  return image;
}

const read = (image: Buffer, withBackup = true) =>
  readGpt(memorySource(image), { withBackup, isAnnounced: true });
const said = (reading: ReturnType<typeof read>) =>
  reading?.findings.map((f) => `${f.severity} ${f.code.replace('image.', '')}: ${f.facts.problem ?? ''}`);

describe('a GPT', () => {
  it('as built here is sound', () => {
    expect(said(read(gptImage()))).toEqual([]);
    expect(read(gptImage())?.table?.partitions).toMatchObject([
      { number: 1, startByte: 64 * 512, sizeBytes: 4096 },
    ]);
  });

  it('without entries is one without partitions', () => {
    const reading = read(gptImage({ entries: entryArray(0) }));
    expect(said(reading)).toEqual([]);
    expect(reading?.table?.partitions).toEqual([]);
  });

  const huge = 2n ** 60n;
  it.each([24, 32, 40, 48, 72])('whose number at %i is beyond all reason is damaged', (at) => {
    const image = gptImage({ first: (header) => header.writeBigUInt64LE(huge, at), second: null });
    expect(said(read(image, false))).toEqual([
      'refuse table-damaged: a place in its header is beyond all reason',
    ]);
  });

  it.each<[string, (header: Buffer) => void, string]>([
    ['usable area upside down', (h) => h.writeBigUInt64LE(201n, 40), 'its usable area ends before it begins'],
    ['entries past the end', (h) => h.writeBigUInt64LE(255n, 72), ''],
    ['too many entries', (h) => h.writeUInt32LE(8193, 80), 'it claims 8193 entries'],
    ['entries of 64 bytes', (h) => h.writeUInt32LE(64, 84), 'its entries claim 64 bytes each'],
    ['entries of 384 bytes', (h) => h.writeUInt32LE(384, 84), 'its entries claim 384 bytes each'],
  ])('with %s is damaged', (_title, change, problem) => {
    const findings = said(read(gptImage({ first: change, second: null }), false));
    expect(findings).toHaveLength(1);
    expect(findings?.[0]).toContain(`refuse table-damaged: ${problem}`);
  });

  it('with entries beyond the end of the image is damaged', () => {
    const image = gptImage({ first: (h) => h.writeBigUInt64LE(256n, 72), second: null });
    expect(said(read(image, false))).toEqual([
      'refuse table-damaged: its entries lie beyond the end of the image',
    ]);
  });

  it.each([91, 513])('whose header claims %i bytes is damaged', (bytes) => {
    const image = gptImage({ first: (h) => h.writeUInt32LE(bytes, 12), second: null });
    expect(said(read(image, false))).toEqual([`refuse table-damaged: its header claims ${bytes} bytes`]);
  });

  it.each<[string, bigint, bigint]>([
    ['ends before it begins', 64n, 63n],
    ['begins beyond all reason', huge, huge],
    ['ends beyond all reason', 64n, huge],
  ])('with a partition that %s is damaged', (_title, from, to) => {
    const entries = entryArray();
    entries.writeBigUInt64LE(from, 32);
    entries.writeBigUInt64LE(to, 40);
    expect(said(read(gptImage({ entries }), false))).toEqual([
      'refuse table-damaged: partition 1 ends before it begins',
    ]);
  });

  it('whose copies differ: the first one counts, and that is noted', () => {
    const stranger = gptImage({ second: (header) => header.writeUInt8(0x68, 56) });
    expect(said(read(stranger))).toEqual(['note backup-table-damaged: it belongs to another disk']);
    const other = entryArray();
    other.writeBigUInt64LE(72n, 40);
    const changed = read(gptImage({ secondEntries: other }));
    expect(said(changed)).toEqual([
      'note backup-table-damaged: it lists other partitions than the first one',
    ]);
    expect(changed?.table?.partitions).toMatchObject([{ sizeBytes: 4096 }]);
  });

  it.each([512, 4096])(
    'of which only the copy at the end is left is told by it, in sectors of %i',
    (sectorBytes) => {
      const image = gptImage({ sectorBytes, first: null });
      const reading = read(image);
      expect(said(reading)).toEqual([
        'refuse table-damaged: the MBR announces a GPT, but its first copy is not there; ' +
          'only the copy at the end of the image is sound',
      ]);
      expect(reading?.table).toMatchObject({ sectorBytes, partitions: [{ startByte: 64 * sectorBytes }] });
    },
  );

  it('of which neither copy is there, or none may be looked for, is damaged', () => {
    const neither = gptImage({ first: null, second: null });
    const problem = 'refuse table-damaged: the MBR announces a GPT, but its first copy is not there';
    expect([said(read(neither)), read(neither)?.table]).toEqual([[problem], null]);
    expect([said(read(neither, false)), read(neither, false)?.table]).toEqual([[problem], null]);
    const table = readTable(memorySource(neither), { withBackup: true }, []);
    expect(table?.table).toBeNull();
    expect(table?.findings.map(describeFinding).join()).toContain('its first copy is not there');
  });
});

/** An extended boot record: up to two entries of type, start and length. */
function putRecord(
  image: Buffer,
  sector: number,
  ...entries: [type: number, start: number, count: number][]
): void {
  for (const [slot, [type, start, count]] of entries.entries()) {
    const at = sector * 512 + 446 + 16 * slot;
    image[at + 4] = type;
    image.writeUInt32LE(start, at + 8);
    image.writeUInt32LE(count, at + 12);
  }
  image.writeUInt16LE(0xaa55, sector * 512 + 510);
}

describe('a chain of logical partitions', () => {
  const extended = { slot: 1, isActive: false, type: 0x05, startSector: 1, sectors: 1000 };

  const chainOf = (records: number): Buffer => {
    const image = Buffer.alloc(1024 * 512);
    for (let at = 0; at < records; at++) {
      const link: [number, number, number][] = at + 1 < records ? [[0x05, at + 1, 1]] : [];
      putRecord(image, 1 + at, [0x83, 1, 1], ...link);
    }
    return image;
  };

  it('may have 128 of them, and not one more', () => {
    const found: Parameters<typeof followChain>[3] = [];
    expect(followChain(memorySource(chainOf(128)), extended, 512, found)).toEqual([]);
    expect(found.map(({ number }) => number)).toEqual(Array.from({ length: 128 }, (_, at) => at + 5));
    const problems = followChain(memorySource(chainOf(129)), extended, 512, []);
    expect(problems.map(({ facts }) => facts.problem)).toEqual(['it has more than 128 logical partitions']);
  });

  it('goes on behind a record that holds a link alone', () => {
    const image = Buffer.alloc(64 * 512);
    putRecord(image, 1, [0x05, 4, 4]);
    putRecord(image, 5, [0x83, 1, 2]);
    const found: Parameters<typeof followChain>[3] = [];
    expect(followChain(memorySource(image), extended, 512, found)).toEqual([]);
    expect(found).toMatchObject([{ number: 5, startByte: 6 * 512, sizeBytes: 1024 }]);
  });
});

describe('partitions that begin at the same place', () => {
  it('overlap, named in the order of their numbers', () => {
    const at = (number: number) => ({
      ...{ number, startByte: 4096, sizeBytes: 512, type: '83', name: null, bootable: false },
    });
    const table = { kind: 'mbr' as const, sectorBytes: 512, diskId: '', partitions: [at(2), at(1)] };
    expect(checkPartitions(table, 8192, false)).toMatchObject([
      { code: 'image.partitions-overlap', facts: { first: 1, second: 2, atByte: 4096 } },
    ]);
  });
});

describe('a source that fails', () => {
  it('is not taken for one that holds nothing', () => {
    const image = Buffer.alloc(1024 * 512);
    putRecord(image, 0, [0x83, 8, 8]);
    const inner = memorySource(image);
    const source: ByteSource = {
      sizeBytes: inner.sizeBytes,
      read: (offset, length) => {
        // past the places where a GPT is looked for
        if (offset > 8192) throw new Error('the reader went away');
        return inner.read(offset, length);
      },
    };
    expect(() => readTable(source, { withBackup: true }, [])).toThrow('the reader went away');
  });
});

/** A volume of 128 KiB with a magic and some numbers in it. */
function volume(put: (bytes: Buffer) => void) {
  const bytes = Buffer.alloc(128 * 1024);
  put(bytes);
  return probeVolume(memorySource(bytes), 0, bytes.length);
}

describe('volumes', () => {
  const fat = (change: (bytes: Buffer) => unknown, rootAt = 4096) =>
    volume((b) => {
      // FAT16: 512-byte sectors, 1 sector per cluster, 1 reserved, 1 table of 7 sectors, 16 entries, 200 sectors
      b.writeUInt16LE(512, 11);
      b[13] = 1;
      b.writeUInt16LE(1, 14);
      b[16] = 1;
      b.writeUInt16LE(16, 17);
      b.writeUInt16LE(200, 19);
      b[21] = 0xf8;
      b.writeUInt16LE(7, 22);
      b[38] = 0x29;
      b.writeUInt32LE(0x1234abcd, 39);
      b.write('FROM BOOT  ', 43);
      b.write('FROM ROOT  \x08', rootAt, 'latin1');
      change(b);
    });

  it('FAT without an extended boot signature has no serial number, and no label but that of its root', () => {
    expect(fat((b) => b)).toMatchObject({ label: 'FROM ROOT', uuid: '1234-ABCD' });
    expect(fat((b) => b.fill(0, 4096, 4128))).toMatchObject({ label: 'FROM BOOT', uuid: '1234-ABCD' });
    expect(fat((b) => b.fill(0, 38, 39))).toMatchObject({ label: 'FROM ROOT', uuid: null });
    expect(fat((b) => b.fill(0, 38, 39).fill(0, 4096, 4128))).toMatchObject({ label: null, uuid: null });
  });

  it('a size beyond what can be counted is not told', () => {
    const xfs = (blocks: bigint, blockBytes: number) =>
      volume((b) => {
        b.write('XFSB');
        b.writeUInt32BE(blockBytes, 4);
        b.writeBigUInt64BE(blocks, 8);
      });
    expect(xfs(1000n, 4096)).toMatchObject({ type: 'xfs', volumeBytes: 4_096_000 });
    expect(xfs(2n ** 60n, 4096)).toMatchObject({ type: 'xfs', volumeBytes: null });
    expect(xfs(2n ** 50n, 65536)).toMatchObject({ type: 'xfs', volumeBytes: null });
  });

  it('ext with blocks larger than any kernel reads is none', () => {
    const ext = (logBlock: number) =>
      volume((b) => {
        b.write('53ef', 1080, 'hex');
        b.writeUInt32LE(logBlock, 1048);
      });
    expect([ext(6)?.type, ext(7)]).toEqual(['ext2', null]);
  });

  it('EROFS and a member of a volume group are known by their magic', () => {
    expect(volume((b) => b.write('e2e1f5e0', 1024, 'hex'))?.type).toBe('erofs');
    for (const at of [0, 512, 1024, 1536]) {
      expect(volume((b) => b.write('LABELONE', at))?.type).toBe('lvm2_member');
    }
    expect(volume((b) => b.write('LABELONE', 2048))).toBeNull();
  });
});
