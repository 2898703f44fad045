import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  checkProbe,
  chooseProbePlaces,
  clearProbe,
  probePlaces,
  writeProbe,
} from '../../src/media/capacity-probe.ts';
import { createFaultyMedium } from '../../src/media/faulty-medium.ts';
import { createMemoryMedium } from '../../src/media/memory-medium.ts';

const salt = Uint8Array.from({ length: 16 }, (_, i) => i);
const mib = 2 ** 20;

describe('the capacity probe', () => {
  it('chooses 13 places of about 50 KB in all, far to near, in whole blocks, past the first MiB', () => {
    const places = chooseProbePlaces(32_010_928_128, 512, salt);
    expect(places).toHaveLength(probePlaces);
    expect(places.reduce((sum, place) => sum + place.content.length, 0)).toBe(13 * 4096);
    expect(places[0]?.offset).toBe(32_010_928_128 - 4096);
    const offsets = places.map((place) => place.offset);
    expect(offsets).toEqual([...offsets].sort((a, b) => b - a));
    for (const offset of offsets) expect(offset % 4096 === 0 && offset >= mib).toBe(true);
  });

  it('finds an honest card honest, whatever its size, and leaves nothing behind', async () => {
    await fc.assert(
      fc.asyncProperty(fc.integer({ min: 1, max: 512 }), async (units) => {
        const medium = createMemoryMedium(mib + units * 4096);
        const places = chooseProbePlaces(medium.sizeBytes, 512, salt);
        await writeProbe(medium, places);
        await checkProbe(medium, places);
        await clearProbe(medium, places);
        expect(medium.bytes.every((byte) => byte === 0)).toBe(true);
      }),
      { numRuns: 40, seed: 7 },
    );
  });

  it('meets a card that forgets past any real size', async () => {
    await fc.assert(
      fc.asyncProperty(fc.double({ min: 0.05, max: 0.99, noNaN: true }), async (share) => {
        const atByte = Math.max(mib, Math.floor((32 * mib * share) / 4096) * 4096);
        const medium = createFaultyMedium(createMemoryMedium(32 * mib), { kind: 'forgetting', atByte });
        const places = chooseProbePlaces(medium.sizeBytes, 512, salt);
        await writeProbe(medium, places);
        await expect(checkProbe(medium, places)).rejects.toMatchObject({
          code: 'media.false-size',
          facts: { likely: expect.stringMatching(/forgets/) },
        });
      }),
      { numRuns: 30, seed: 11 },
    );
  });

  it.each(['bit-flip', 'dropped-write'] as const)(
    'calls one bad place (%s) damage, and not a false size',
    async (kind) => {
      const places = chooseProbePlaces(32 * mib, 512, salt);
      const atByte = places[3]?.offset ?? 0;
      const medium = createFaultyMedium(createMemoryMedium(32 * mib), { kind, atByte });
      await writeProbe(medium, places);
      await expect(checkProbe(medium, places)).rejects.toMatchObject({
        code: 'media.probe-damaged',
        facts: { places: 1, of: places.length, offset: atByte },
      });
    },
  );

  it('looked at again, takes a place that was written over for a card that wraps elsewhere', async () => {
    const medium = createMemoryMedium(32 * mib);
    const places = chooseProbePlaces(medium.sizeBytes, 512, salt);
    await writeProbe(medium, places);
    await checkProbe(medium, places);
    medium.bytes.fill(0x77, places[4]?.offset, (places[4]?.offset ?? 0) + 8192);
    await expect(checkProbe(medium, places, 'again')).rejects.toMatchObject({ code: 'media.false-size' });
  });

  it.each([2, 4, 8, 16])('meets a card that wraps at 1/%i of its claimed size', async (part) => {
    const medium = createFaultyMedium(createMemoryMedium(128 * mib), {
      kind: 'wrapped',
      atByte: (128 * mib) / part,
    });
    const places = chooseProbePlaces(medium.sizeBytes, 512, salt);
    await writeProbe(medium, places);
    await expect(checkProbe(medium, places)).rejects.toMatchObject({
      code: 'media.false-size',
      facts: { likely: expect.stringMatching(/wraps/) },
    });
  });
});
