import { createHash } from 'node:crypto';
import { describe, expect, it } from 'vitest';
import type { DigestMap } from '../../src/contract/job.ts';
import { sealBody, sealFirstBlock, settleHead, takeHeadOff } from '../../src/job/engine/card-head.ts';
import { classifyDamage } from '../../src/job/engine/classify-damage.ts';
import { pieceDigest } from '../../src/job/engine/digest-map.ts';
import { verifyCard } from '../../src/job/engine/verify-card.ts';
import { writeImage } from '../../src/job/engine/write-image.ts';
import { createFaultyMedium, type FaultKind } from '../../src/media/faulty-medium.ts';
import type { Medium } from '../../src/media/medium.ts';
import { createMemoryMedium } from '../../src/media/memory-medium.ts';
import { feedFromBytes, noProgress, patternedBytes, withPieceMemory } from './make-job-parts.ts';

const mib = 2 ** 20;
const goOn = () => undefined;
const layout = [{ number: 2, startByte: 2 * mib, sizeBytes: 8 * mib }];

function write(medium: Medium | null, image: Uint8Array, imageBytes = image.length, blockBytes = 512) {
  return withPieceMemory((memory) =>
    writeImage({
      medium,
      feed: feedFromBytes(image),
      imageBytes,
      blockBytes,
      digestWhole: true,
      memory,
      progress: noProgress,
      checkStop: goOn,
    }),
  );
}

function verify(medium: Medium, map: DigestMap, headIsOff = true) {
  return withPieceMemory((memory) =>
    verifyCard({ medium, map, headIsOff, memory, progress: noProgress, checkStop: goOn }),
  );
}

describe('writing an image', () => {
  const image = patternedBytes(10 * mib + 1000);

  it('holds the first MiB back, pads the last sector, and digests every MiB and the whole', async () => {
    const medium = createMemoryMedium(16 * mib);
    const written = await write(medium, image);
    expect(medium.bytes.subarray(0, mib).every((byte) => byte === 0)).toBe(true);
    expect(Buffer.compare(medium.bytes.subarray(mib, image.length), image.subarray(mib))).toBe(0);
    expect(Buffer.compare(written.head, image.subarray(0, mib))).toBe(0);
    expect(written.paddedBytes).toBe(24);
    expect(written.map.sizeBytes).toBe(10 * mib + 1024);
    // FIPS 180-4 through the platform's own implementation, over the same bytes in one go.
    expect(written.wholeDigest).toEqual(new Uint8Array(createHash('sha256').update(image).digest()));
    expect(pieceDigest(written.map, 3)).toEqual(
      new Uint8Array(
        createHash('sha256')
          .update(image.subarray(3 * mib, 4 * mib))
          .digest(),
      ),
    );
  });

  it.each([1, 511, 512, 513, mib - 1, mib, mib + 1])('takes an image of %i bytes', async (length) => {
    const medium = createMemoryMedium(4 * mib);
    await takeHeadOff(medium, length);
    const { map, head } = await write(medium, image.subarray(0, length));
    expect(await verify(medium, map)).toEqual([]);
    await sealBody(medium, head);
    await sealFirstBlock(medium, head);
    expect(Buffer.compare(medium.bytes.subarray(0, length), image.subarray(0, length))).toBe(0);
    expect(await verify(medium, map, false)).toEqual([]);
  });

  it('ends when the image ends too early, naming both sizes', async () => {
    const short = write(createMemoryMedium(16 * mib), image.subarray(0, 5 * mib), 6 * mib);
    await expect(short).rejects.toMatchObject({
      code: 'job.short-image',
      facts: { expected: 6 * mib, found: 5 * mib },
    });
  });

  it('ends when the image goes on after its size', async () => {
    await expect(write(createMemoryMedium(16 * mib), image, 6 * mib)).rejects.toMatchObject({
      code: 'job.long-image',
    });
  });

  it('digests the same without a card', async () => {
    const { map } = await write(null, image);
    expect(map).toEqual((await write(createMemoryMedium(16 * mib), image)).map);
  });
});

describe('taking the head off', () => {
  it('clears the first MiB and the last one beyond the image, and nothing else', async () => {
    const medium = createMemoryMedium(8 * mib);
    medium.bytes.fill(0xff);
    await takeHeadOff(medium, 3 * mib);
    const zeros = (from: number, to: number) => medium.bytes.subarray(from, to).every((byte) => byte === 0);
    const kept = (from: number, to: number) => medium.bytes.subarray(from, to).every((byte) => byte === 0xff);
    expect(zeros(0, mib) && kept(mib, 7 * mib) && zeros(7 * mib, 8 * mib)).toBe(true);
  });

  it('never clears bytes that the image covers', async () => {
    const medium = createMemoryMedium(8 * mib);
    medium.bytes.fill(0xff);
    await takeHeadOff(medium, 8 * mib - 512);
    expect(medium.bytes[8 * mib - 513]).toBe(0xff);
    expect(medium.bytes.subarray(8 * mib - 512).every((byte) => byte === 0)).toBe(true);
  });

  it('does not believe a card that keeps its head', async () => {
    const stubborn = createMemoryMedium(4 * mib);
    stubborn.bytes.fill(1);
    const medium = { ...stubborn, write: async () => undefined };
    await expect(takeHeadOff(medium, 0)).rejects.toMatchObject({
      code: 'job.head-not-zero',
      facts: { offset: 0 },
    });
    expect(await settleHead(medium)).toBe(false);
  });

  it('names the first byte that stayed', async () => {
    const medium = createFaultyMedium(createMemoryMedium(4 * mib), { kind: 'bit-flip', atByte: 70_001 });
    await expect(takeHeadOff(medium, 0)).rejects.toMatchObject({ facts: { offset: 70_001 } });
  });

  it('clears it again after a failed job where something else was written over it', async () => {
    const medium = createMemoryMedium(4 * mib);
    await takeHeadOff(medium, 4 * mib);
    medium.bytes.fill(7, 100, 600);
    expect(await settleHead(medium)).toBe(true);
    expect(medium.bytes.subarray(0, mib).every((byte) => byte === 0)).toBe(true);
  });
});

describe('reading back', () => {
  const image = patternedBytes(10 * mib);

  async function jobOn(kind: FaultKind, atByte: number) {
    const medium = createFaultyMedium(createMemoryMedium(16 * mib), { kind, atByte });
    const { map } = await write(medium, image);
    const wrong = await verify(medium, map);
    const expectedPiece = async (piece: number) => image.subarray(piece * mib, (piece + 1) * mib);
    const found = { medium, map, wrong, headIsOff: true, layout };
    const damage = await classifyDamage({ ...found, expectedPiece });
    const blind = await classifyDamage({ ...found, expectedPiece: async () => null });
    return { wrong: wrong.map(({ piece }) => piece), damage, blind };
  }

  it('finds one flipped bit, says where, and that it is stable', async () => {
    const { wrong, damage, blind } = await jobOn('bit-flip', 5 * mib + 777);
    expect(wrong).toEqual([5]);
    expect(damage).toEqual({
      kind: 'stable-damage',
      ranges: [{ offset: 5 * mib + 512, length: 512, partition: 2 }],
      bytes: 512,
    });
    // Without the image at hand only the MiB is known.
    expect(blind.ranges).toEqual([{ offset: 5 * mib, length: mib, partition: 2 }]);
  });

  it('tells unstable reads from damage', async () => {
    expect((await jobOn('unstable-read', 5 * mib)).damage.kind).toBe('unstable-reads');
  });

  it('tells dropped writes', async () => {
    const { damage } = await jobOn('dropped-write', 4 * mib);
    expect(damage).toMatchObject({
      kind: 'dropped-writes',
      ranges: [{ offset: 4 * mib, length: 4096, partition: 2 }],
    });
  });

  it('tells a card that wraps from one that forgets', async () => {
    const wrapped = await jobOn('wrapped', 8 * mib);
    expect(wrapped.damage.kind).toBe('wrapped-capacity');
    const forgetting = await jobOn('forgetting', 7 * mib);
    expect(forgetting.damage.kind).toBe('forgotten-capacity');
    expect(forgetting.wrong).toEqual([7, 8, 9]);
  });

  it.each([3 * mib + 512, 4 * mib + 65_536, 6 * mib + 1_000 * 512, 9 * mib + 512])(
    'tells a card that starts over at %i bytes, in the middle of a MiB, with or without the image at hand',
    async (atByte) => {
      const { damage, blind } = await jobOn('wrapped', atByte);
      expect(damage.kind).toBe('wrapped-capacity');
      expect(blind.kind).toBe('wrapped-capacity');
    },
  );

  it('compares a cleared head with zeros, not with what the image has there', async () => {
    const medium = createMemoryMedium(16 * mib);
    const { map } = await write(medium, image);
    medium.bytes[5000] = 1;
    const wrong = await verify(medium, map);
    const expectedPiece = async (piece: number) => image.subarray(piece * mib, (piece + 1) * mib);
    const damage = await classifyDamage({ medium, map, wrong, headIsOff: true, layout, expectedPiece });
    expect(damage).toMatchObject({ kind: 'stable-damage', ranges: [{ offset: 4608, length: 512 }] });
  });

  it('tells stale data: whole blocks that have nothing in common with what was written', async () => {
    const medium = createMemoryMedium(16 * mib);
    medium.bytes.set(patternedBytes(10 * mib, 'last year'));
    const old = Uint8Array.from(medium.bytes);
    const { map } = await write(medium, image);
    medium.bytes.fill(0, 0, mib);
    medium.bytes.set(old.subarray(6 * mib, 6 * mib + 8192), 6 * mib);
    const wrong = await verify(medium, map);
    const expectedPiece = async (piece: number) => image.subarray(piece * mib, (piece + 1) * mib);
    const damage = await classifyDamage({ medium, map, wrong, headIsOff: true, layout, expectedPiece });
    expect(damage).toMatchObject({ kind: 'stale-data', ranges: [{ offset: 6 * mib, length: 8192 }] });
  });

  it('fails on a head that is not zero although the map would match', async () => {
    const medium = createMemoryMedium(16 * mib);
    const { map, head } = await write(medium, image);
    await sealFirstBlock(medium, head);
    expect((await verify(medium, map)).map(({ piece }) => piece)).toEqual([0]);
  });

  it('is not fooled by a read that moves nothing', async () => {
    const medium = createMemoryMedium(16 * mib);
    const { map } = await write(medium, image);
    const idle = { ...medium, read: async () => undefined };
    expect(await verify(idle, map)).toHaveLength(10);
  });

  it('raises no alarm on a healthy card', async () => {
    for (const length of [mib, 3 * mib + 512, 9 * mib + 4096]) {
      const medium = createMemoryMedium(16 * mib);
      const { map } = await write(medium, image.subarray(0, length));
      expect(await verify(medium, map)).toEqual([]);
    }
  });
});
