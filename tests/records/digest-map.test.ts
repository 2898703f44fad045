import { execFileSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { DigestMap } from '../../src/contract/job.ts';
import { decodeDigestMap, digestMapRoot, encodeDigestMap } from '../../src/records/digest-map.ts';
import { describeWith } from '../lab/capabilities.ts';
import { isSameMap, sampleMap } from './sample.ts';

/** SHA-256 of 1 MiB of zeros, from the check values (sha256sum). */
const zeroMib = Buffer.from('30e14955ebf1352266dc2ff8067e68104607e750abb9d3b36582b8af909fcb58', 'hex');

describe('a stored digest map', () => {
  it('comes back as it went in, for every size', () => {
    const maps = fc
      .tuple(
        fc.integer({ min: 0, max: 40 }),
        fc.integer({ min: 1, max: 2 ** 20 }),
        fc.infiniteStream(fc.nat(255)),
      )
      .map(
        ([mibs, tail, bytes]): DigestMap => ({
          sizeBytes: mibs * 2 ** 20 + tail,
          digests: Uint8Array.from([...bytes.take((mibs + 1) * 32)]),
        }),
      );
    fc.assert(
      fc.property(maps, (map) => {
        expect(decodeDigestMap(encodeDigestMap(map), map.sizeBytes)).toEqual(map);
      }),
      { numRuns: 50 },
    );
  });

  it('holds sizes beyond 32 bits', () => {
    const map = sampleMap(5000);
    expect(isSameMap(decodeDigestMap(encodeDigestMap(map), 5000 * 2 ** 20), map)).toBe(true);
  });

  it('is 32 bytes a MiB, and far less where the card is empty', () => {
    const digests = new Uint8Array(30_000 * 32);
    for (let at = 0; at < digests.length; at += 32) digests.set(zeroMib, at);
    expect(encodeDigestMap({ sizeBytes: 30_000 * 2 ** 20, digests }).length).toBeLessThan(30_000);
    const random = fc.sample(fc.uint8Array({ minLength: 3200, maxLength: 3200 }), 1)[0]!;
    expect(encodeDigestMap({ sizeBytes: 100 * 2 ** 20, digests: random }).length).toBeLessThan(3300);
  });

  it('is refused when damaged, of another size, or larger than it says', () => {
    const packed = encodeDigestMap(sampleMap(50));
    expect(() => decodeDigestMap(packed.subarray(0, -3), 50 * 2 ** 20)).toThrow();
    expect(() => decodeDigestMap(packed, 51 * 2 ** 20)).toThrow();
    expect(() => decodeDigestMap(packed, 50 * 2 ** 20 - 5)).toThrow();
    expect(() => decodeDigestMap(packed, 2 ** 20)).toThrow();
    expect(() => encodeDigestMap({ sizeBytes: 2 ** 20 + 1, digests: new Uint8Array(32) })).toThrow(
      RangeError,
    );
    expect(() => digestMapRoot({ sizeBytes: 2 ** 20, digests: new Uint8Array(64) })).toThrow(RangeError);
  });
});

describe('the root of a digest map', () => {
  it('changes with any bit of a digest and with the size alone', () => {
    const map = sampleMap(3);
    const root = digestMapRoot(map);
    for (let at = 0; at < 96; at += 1) {
      const digests = Uint8Array.from(map.digests);
      digests[at] = (digests[at] ?? 0) ^ 1;
      expect(digestMapRoot({ ...map, digests })).not.toBe(root);
    }
    expect(digestMapRoot({ ...map, sizeBytes: map.sizeBytes - 1 })).not.toBe(root);
  });

  it('of nothing is the digest of eight zero bytes', () => {
    expect(digestMapRoot({ sizeBytes: 0, digests: new Uint8Array() })).toBe(
      createHash('sha256').update(Buffer.alloc(8)).digest('hex'),
    );
  });
});

describeWith(['program:sha256sum'], 'the root, held against coreutils', () => {
  it('is what sha256sum gives for size and digests', () => {
    const size = Buffer.from('0000200000000000', 'hex');
    const theirs = execFileSync('sha256sum', {
      input: Buffer.concat([size, zeroMib, zeroMib]),
      encoding: 'utf8',
    });
    const digests = Uint8Array.from(Buffer.concat([zeroMib, zeroMib]));
    expect(digestMapRoot({ sizeBytes: 2 ** 21, digests })).toBe(theirs.slice(0, 64));
  });
});
