import { crc32 } from 'node:zlib';
import fc from 'fast-check';
import { afterAll, describe, expect, it } from 'vitest';
import type { ByteSource } from '../../src/contract/blocks.ts';
import { examineLayout } from '../../src/image/examine-layout.ts';
import { nameStranger } from '../../src/image/name-stranger.ts';
import { StreamWindow } from '../../src/image/stream-window.ts';
import { NotYetRead } from '../../src/image/table/not-yet-read.ts';
import { memorySource } from '../image/recipes.ts';
import { counted } from './counted-source.ts';
import { fuzzed, fuzzTimeoutMs, InputCount } from './fuzz.ts';

/** places and values to spoil */
const edits = fc.array(fc.tuple(fc.nat(), fc.integer({ min: 0, max: 255 })), { minLength: 1, maxLength: 8 });

function spoil(bytes: Uint8Array, changes: readonly [number, number][], within = bytes.length): Buffer {
  const copy = Buffer.from(bytes);
  for (const [place, value] of changes) copy[place % within] = value;
  return copy;
}

const inputs = new InputCount();
afterAll(() => inputs.record('tables and volumes'));

describe('tables made of anything', { timeout: fuzzTimeoutMs }, () => {
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
        await inputs.orderly(() => look(counted(bytes, 3000)));
        nameStranger(bytes.subarray(0, 4096), bytes.subarray(-512));
      }),
      fuzzed(200),
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
          await inputs.orderly(() => look(counted(bytes, 5000)));
        },
      ),
      fuzzed(150),
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
        await inputs.orderly(() =>
          look(counted(image(seal(Buffer.concat([head.subarray(0, 512), spoiled]))), 3000)),
        );
      }),
      fuzzed(200),
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
            await inputs.orderly(() => {
              try {
                examineLayout(window, { withBackup: true, isWhole: isPromised });
              } catch (error) {
                if (!(error instanceof NotYetRead)) throw error;
              }
            });
          }
          expect(looks).toBeLessThanOrEqual(64);
          window.end();
          await inputs.orderly(() => look(window));
        },
      ),
      fuzzed(60),
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
        await inputs.orderly(() => look(counted(spoil(bytes, changes), 3000)));
      }),
      fuzzed(200),
    );
  });
});
