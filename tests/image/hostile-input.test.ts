import { crc32, deflateSync } from 'node:zlib';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ByteSource } from '../../src/contract/blocks.ts';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { readBzip2 } from '../../src/image/container/bzip2.ts';
import { detectContainer } from '../../src/image/container/detect-container.ts';
import { readGzip } from '../../src/image/container/gzip.ts';
import { readXz } from '../../src/image/container/xz.ts';
import { readZip } from '../../src/image/container/zip.ts';
import { readZstd } from '../../src/image/container/zstd.ts';
import { examineLayout } from '../../src/image/examine-layout.ts';
import { nameStranger } from '../../src/image/name-stranger.ts';
import { StreamWindow } from '../../src/image/stream-window.ts';
import { NotYetRead } from '../../src/image/table/not-yet-read.ts';
import { memorySource, noise, run } from './recipes.ts';

/** Fails on anything but a CardwrightError, on a read outside the source, and on more reads than a bound. */
function counted(bytes: Uint8Array, mostReads: number): ByteSource {
  const inner = memorySource(bytes);
  let reads = 0;
  return {
    sizeBytes: bytes.length,
    read(offset, length) {
      reads += 1;
      if (reads > mostReads) throw new Error(`more than ${mostReads} reads`);
      return inner.read(offset, length);
    },
  };
}

async function orderly(call: () => unknown): Promise<void> {
  try {
    await call();
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
  }
}

const anyBytes = fc.uint8Array({ maxLength: 3000 });
/** places and values to spoil */
const edits = fc.array(fc.tuple(fc.nat(), fc.integer({ min: 0, max: 255 })), { minLength: 1, maxLength: 8 });

function spoil(bytes: Uint8Array, changes: readonly [number, number][], within = bytes.length): Buffer {
  const copy = Buffer.from(bytes);
  for (const [place, value] of changes) copy[place % within] = value;
  return copy;
}

const magics = ['1f8b08', 'fd377a585a00', '28b52ffd', '502a4d18', '425a68393141', '504b0304'].map((digits) =>
  Buffer.from(digits, 'hex'),
);

describe('containers made of anything', () => {
  it('random bytes behind every magic', async () => {
    await fc.assert(
      fc.asyncProperty(anyBytes, fc.constantFrom(...magics), async (rest, magic) => {
        const bytes = Buffer.concat([magic, rest]);
        detectContainer(bytes);
        const source = () => counted(bytes, 5000);
        for (const read of [readGzip, readXz, readZstd, readBzip2]) await orderly(() => read(source()));
        await orderly(() => readZip(source()));
      }),
      { numRuns: 150 },
    );
  });

  it('real ones with a few bytes changed, checksums made right again where there is one for the header', async () => {
    const xz = run('xz', ['-c', '--block-size=700'], noise(3000));
    const zst = run('zstd', ['-q', '-c'], noise(3000));
    const zip = run('zip', ['-q', '-', '-'], noise(3000));
    await fc.assert(
      fc.asyncProperty(edits, async (changes) => {
        await orderly(() => readXz(counted(spoil(xz, changes), 5000)));
        const resummed = spoil(xz, changes);
        resummed.writeUInt32LE(crc32(resummed.subarray(-8, -2)), resummed.length - 12);
        await orderly(() => readXz(counted(resummed, 5000)));
        await orderly(() => readZstd(counted(spoil(zst, changes), 5000)));
        await orderly(() => readZip(counted(spoil(zip, changes), 5000)));
      }),
      { numRuns: 150 },
    );
  });

  it('two hundred thousand tiny zstd frames take few reads', () => {
    const empty = Buffer.from('28b52ffd2000010000', 'hex');
    const bytes = Buffer.alloc(empty.length * 200_000, empty);
    expect(readZstd(counted(bytes, 10_000))).toMatchObject({ frames: 200_000, sizeBytes: 0 });
  });
});

describe('tables made of anything', () => {
  const mib = 2 ** 20;
  const look = (source: ByteSource) => examineLayout(source, { withBackup: true, isWhole: true });

  /** An image of zeros with a table at its head, as it comes from the recipe of `sectors`. */
  function image(head: Uint8Array): Buffer {
    const bytes = Buffer.alloc(4 * mib);
    bytes.set(head, 0);
    return bytes;
  }

  function mbr(entries: readonly [type: number, start: number, count: number][]): Buffer {
    const sector = Buffer.alloc(512);
    entries.forEach(([type, start, count], i) => {
      sector[446 + 16 * i + 4] = type;
      sector.writeUInt32LE(start, 446 + 16 * i + 8);
      sector.writeUInt32LE(count, 446 + 16 * i + 12);
    });
    sector.set([0x55, 0xaa], 510);
    return sector;
  }

  it('random heads', async () => {
    await fc.assert(
      fc.asyncProperty(fc.uint8Array({ minLength: 0, maxLength: 5000 }), async (head) => {
        const bytes = image(head);
        bytes.set([0x55, 0xaa], 510);
        await orderly(() => look(counted(bytes, 3000)));
        nameStranger(bytes.subarray(0, 4096), bytes.subarray(-512));
      }),
      { numRuns: 200 },
    );
  });

  it('random MBR entries, also as extended partitions that lead anywhere', async () => {
    const type = fc.constantFrom(0x05, 0x0f, 0x85, 0x0c, 0x83, 0xee, 0x17);
    const number = fc.oneof(fc.nat(9000), fc.constantFrom(0, 1, 2048, 0xffffffff));
    const entry = fc.tuple(type, number, number);
    await fc.assert(
      fc.asyncProperty(
        fc.array(entry, { minLength: 1, maxLength: 4 }),
        fc.array(entry, { maxLength: 2 }),
        async (first, chained) => {
          // every sector after the first is an extended record, so that chains go on and on
          const bytes = image(mbr(first));
          const record = mbr(chained);
          for (let at = 512; at < mib; at += 512) bytes.set(record, at);
          await orderly(() => look(counted(bytes, 5000)));
        },
      ),
      { numRuns: 150 },
    );
  });

  it('a GPT with changed fields and right checksums', async () => {
    const head = Buffer.alloc(34 * 512);
    head.set(mbr([[0xee, 1, 8191]]), 0);
    head.write('EFI PART', 512, 'latin1');
    head.writeUInt32LE(0x00010000, 520);
    head.writeUInt32LE(92, 524);
    for (const [at, value] of [
      [24, 1],
      [32, 8191],
      [40, 34],
      [48, 8158],
      [72, 2],
    ] as const)
      head.writeBigUInt64LE(BigInt(value), 512 + at);
    head.writeUInt32LE(128, 512 + 80);
    head.writeUInt32LE(128, 512 + 84);
    head.write('0FC63DAF', 1024, 'hex');
    head.writeBigUInt64LE(40n, 1024 + 32);
    head.writeBigUInt64LE(900n, 1024 + 40);
    const seal = (bytes: Buffer) => {
      bytes.writeUInt32LE(crc32(bytes.subarray(1024, 34 * 512)), 512 + 88);
      bytes.writeUInt32LE(0, 512 + 16);
      bytes.writeUInt32LE(crc32(bytes.subarray(512, 604)), 512 + 16);
      return bytes;
    };
    expect(look(memorySource(image(seal(Buffer.from(head))))).table?.partitions).toHaveLength(1);
    await fc.assert(
      fc.asyncProperty(edits, async (changes) => {
        const spoiled = spoil(head.subarray(512), changes, 92 + 512);
        await orderly(() =>
          look(counted(image(seal(Buffer.concat([head.subarray(0, 512), spoiled]))), 3000)),
        );
      }),
      { numRuns: 200 },
    );
  });

  it('the same over a stream: waits, or ends', async () => {
    const entry = fc.tuple(fc.constantFrom(0x05, 0x0c, 0x83, 0xee), fc.nat(9000), fc.nat(9000));
    await fc.assert(
      fc.asyncProperty(
        fc.array(entry, { minLength: 1, maxLength: 4 }),
        fc.boolean(),
        async (entries, isPromised) => {
          const bytes = image(mbr(entries));
          const record = mbr(entries.slice(0, 2));
          for (let at = 512; at < 2 * mib; at += 512) bytes.set(record, at);
          const window = new StreamWindow(isPromised ? bytes.length : null);
          let looks = 0;
          for (let at = 0; at < bytes.length; at += 65_536) {
            window.push(bytes.subarray(at, at + 65_536));
            if (!window.takeNews()) continue;
            looks += 1;
            await orderly(() => {
              try {
                examineLayout(window, { withBackup: true, isWhole: isPromised });
              } catch (error) {
                if (!(error instanceof NotYetRead)) throw error;
              }
            });
          }
          expect(looks).toBeLessThanOrEqual(64);
          window.end();
          await orderly(() => look(window));
        },
      ),
      { numRuns: 60 },
    );
  });

  it('volumes with a few bytes changed', async () => {
    const places = fc.array(fc.tuple(fc.nat(2047), fc.integer({ min: 0, max: 255 })), {
      minLength: 1,
      maxLength: 10,
    });
    const starts = ['eb3c90', '58465342', '68737173', '4c554b53babe0002'].map((digits) =>
      Buffer.from(digits, 'hex'),
    );
    await fc.assert(
      fc.asyncProperty(places, fc.constantFrom(...starts), async (changes, start) => {
        const bytes = image(start);
        bytes.set([0x53, 0xef], 1080);
        bytes.set([0x55, 0xaa], 510);
        bytes.set(Buffer.from('0002010100020002000f0200f80100', 'hex'), 11);
        await orderly(() => look(counted(spoil(bytes, changes), 3000)));
      }),
      { numRuns: 200 },
    );
  });
});

it('the reader of a stream that is compressed noise sees no image in it', () => {
  expect(detectContainer(deflateSync(noise(100)))).toBe('raw');
});
