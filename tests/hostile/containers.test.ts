import fs from 'node:fs';
import path from 'node:path';
import { crc32, deflateSync } from 'node:zlib';
import fc from 'fast-check';
import { afterAll, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { ContainerKind } from '../../src/contract/image.ts';
import { detectContainer } from '../../src/image/container/detect-container.ts';
import { readContainer } from '../../src/image/container/read-container.ts';
import { inspectImage } from '../../src/image/inspect-image.ts';
import { noise, run, workFolder } from '../image/recipes.ts';
import { describeWith } from '../lab/capabilities.ts';
import { counted } from './counted-source.ts';
import { fuzzed, fuzzTimeoutMs, InputCount } from './fuzz.ts';

const folder = workFolder();
const inputs = new InputCount();
afterAll(() => inputs.record('containers'));

const kinds = ['gz', 'xz', 'zst', 'bz2', 'zip'] as const satisfies ContainerKind[];
const magics = ['1f8b08', 'fd377a585a00', '28b52ffd', '502a4d18', '425a68393141', '504b0304'].map((digits) =>
  Buffer.from(digits, 'hex'),
);

it('random bytes behind every magic', { timeout: fuzzTimeoutMs }, async () => {
  const anyBytes = fc.uint8Array({ maxLength: 3000 });
  await fc.assert(
    fc.asyncProperty(anyBytes, fc.constantFrom(...magics), async (rest, magic) => {
      const bytes = Buffer.concat([magic, rest]);
      detectContainer(bytes);
      for (const kind of kinds) await inputs.orderly(() => readContainer(counted(bytes, 5000), kind));
    }),
    fuzzed(150),
  );
});

it('two hundred thousand tiny zstd frames take few reads', async () => {
  const empty = Buffer.from('28b52ffd2000010000', 'hex');
  const bytes = Buffer.alloc(empty.length * 200_000, empty);
  expect(await readContainer(counted(bytes, 10_000), 'zst')).toMatchObject({ frames: 200_000, sizeBytes: 0 });
});

it('a stream that is compressed noise is no container', () => {
  expect(detectContainer(deflateSync(noise(100)))).toBe('raw');
});

/** A small image, so that real decoding of hundreds costs little: an MBR and noise. */
const image = noise(6144);
image.fill(0, 0, 512);
image.set([0x80, 0, 0, 0, 0x0c, 0, 0, 0, 2, 0, 0, 0, 8, 0, 0, 0], 446);
image.set([0x55, 0xaa], 510);

describeWith(
  ['program:gzip', 'program:xz', 'program:zstd', 'program:bzip2', 'program:zip'],
  'real containers, changed',
  { timeoutMs: fuzzTimeoutMs },
  () => {
    const packers: Record<(typeof kinds)[number], () => Buffer> = {
      gz: () => run('gzip', ['-c', '-n'], image),
      xz: () => run('xz', ['-c', '--block-size=2000'], image),
      zst: () => {
        const plain = path.join(folder, 'plain.img');
        fs.writeFileSync(plain, image);
        return run('zstd', ['-q', '-c', plain]);
      },
      bz2: () => run('bzip2', ['-c'], image),
      zip: () => run('zip', ['-q', '-', '-'], image),
    };
    const packed = Object.fromEntries(kinds.map((kind) => [kind, packers[kind]()])) as Record<string, Buffer>;

    type Change = (bytes: Buffer) => Buffer;

    /** A byte of the whole, or of the beginning or the end, where most fields stand. */
    const spoil = fc.tuple(fc.constantFrom('anywhere', 'beginning', 'end'), fc.nat(100_000), fc.nat(255)).map(
      ([where, place, byte]): Change =>
        (bytes) => {
          const copy = Buffer.from(bytes);
          const near = place % Math.min(60, copy.length);
          const at = { anywhere: place % copy.length, beginning: near, end: copy.length - 1 - near }[where];
          copy[at ?? 0] = byte;
          return copy;
        },
    );
    const cut = fc.nat(100_000).map(
      (at): Change =>
        (bytes) =>
          bytes.subarray(0, 1 + (at % bytes.length)),
    );
    const append = fc.oneof(
      fc.uint8Array({ maxLength: 40 }),
      fc.nat(20).map((length) => new Uint8Array(length)),
      fc.constantFrom(...kinds).map((kind) => packed[kind] as Buffer),
    );
    const appended = append.map(
      (more): Change =>
        (bytes) =>
          Buffer.concat([bytes, more]),
    );
    /** The checksum of an xz footer made right. */
    const resummed: Change = (bytes) => {
      const copy = Buffer.from(bytes);
      if (copy.length > 12) copy.writeUInt32LE(crc32(copy.subarray(-8, -2)), copy.length - 12);
      return copy;
    };
    const change = fc.oneof(
      { weight: 4, arbitrary: spoil },
      { weight: 1, arbitrary: cut },
      { weight: 3, arbitrary: appended },
      { weight: 1, arbitrary: fc.constant(resummed) },
    );
    const changes = fc.array(change, { minLength: 1, maxLength: 3 });
    const changed = (kind: string, all: readonly Change[]) =>
      all.reduce((bytes, one) => one(bytes), packed[kind] as Buffer);

    it.each(kinds)('%s: what the file tells without unpacking it', async (kind) => {
      await fc.assert(
        fc.asyncProperty(changes, async (all) => {
          const bytes = changed(kind, all);
          await inputs.orderly(() => readContainer(counted(bytes, 5000), kind));
        }),
        fuzzed(150),
      );
    });

    /** What the reference program makes of it, null where it ends with anything but 0. */
    function reference(kind: (typeof kinds)[number], file: string): Buffer | null {
      const programs = { gz: 'gzip', xz: 'xz', zst: 'zstd', bz2: 'bzip2', zip: null } as const;
      const program = programs[kind];
      // what passes the CRC-32 of a zip's directory can only be what was put in
      if (program === null) return image;
      try {
        return run(program, [...(program === 'zstd' ? ['-q'] : []), '-dc', file]);
      } catch {
        // its status says that it takes the file for damaged
        return null;
      }
    }

    it.each(kinds)(
      '%s: unpacked, it is refused or is what the reference program makes of it',
      async (kind) => {
        const file = path.join(folder, `changed.${kind}`);
        let taken = 0;
        const look = async (all: readonly Change[]) => {
          const bytes = changed(kind, all);
          // another container, or none, is another test's matter
          if (detectContainer(bytes.subarray(0, 10)) !== kind) return;
          fs.writeFileSync(file, bytes);
          const order = { decode: 'always', spoolFolder: folder } as const;
          const facts = await inputs.orderly(() => inspectImage(file, order));
          if (facts instanceof CardwrightError) {
            expect(facts.code).toMatch(/^image\./);
            return;
          }
          taken += 1;
          expect(facts.sizeBytes).toBe(reference(kind, file)?.length ?? 'refused by the reference program');
          expect(facts.table).toMatchObject({ kind: 'mbr', partitions: [{ number: 1, startByte: 1024 }] });
        };
        await look([]);
        expect(taken).toBe(1);
        await fc.assert(fc.asyncProperty(changes, look), fuzzed(30));
      },
    );
  },
);
