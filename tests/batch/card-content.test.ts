import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { type ContentFacts, classifyContent, sampleOffsets } from '../../src/batch/bench/card-content.ts';
import { findRoot, isEmptyRoot } from '../../src/batch/bench/empty-volume.ts';
import type { Signature } from '../../src/contract/devices.ts';

const sizeBytes = 32_000_000_000;
const part = { name: 'sdb1', node: '/dev/sdb1', majorMinor: '8:17', number: 1, partUuid: null };
const partitions = [{ ...part, startBytes: 4_194_304, sizeBytes: sizeBytes - 4_194_304 }];
const signature = (on: string, more: Partial<Signature>): Signature => ({
  on,
  type: null,
  usage: null,
  label: null,
  uuid: null,
  tableType: null,
  ...more,
});
const shop = [signature('sdb', { tableType: 'dos' }), signature('sdb1', { type: 'exfat' })];
const blank: ContentFacts = {
  disk: { name: 'sdb', sizeBytes, signatures: [], partitions: [] },
  samples: sampleOffsets(sizeBytes, 64, 4096).map((offset) => ({ offset, isBlank: true })),
  emptyVolumes: new Set(),
  headIsZero: true,
  imagePieces: 0,
  hasUnfinishedRecord: false,
};
const withData = (facts: ContentFacts, at: (offset: number) => boolean): ContentFacts => ({
  ...facts,
  samples: facts.samples.map(({ offset }) => ({ offset, isBlank: !at(offset) })),
});

describe('what stands on a card', () => {
  it('is fresh where it is blank throughout, or as cards come from the shop', () => {
    expect(classifyContent(blank).kind).toBe('fresh');
    const disk = { ...blank.disk, signatures: shop, partitions };
    const facts = { ...blank, disk, emptyVolumes: new Set(['sdb1']), headIsZero: false };
    expect(classifyContent(withData(facts, (offset) => offset === 0)).kind).toBe('fresh');
  });

  it('is unknown where a volume may hold files', () => {
    const disk = { ...blank.disk, signatures: shop, partitions };
    expect(classifyContent({ ...blank, disk })).toEqual({
      kind: 'unknown',
      why: ['sdb1 (exfat) is on it and may hold files'],
    });
  });

  it('is unknown where samples hold data that no volume explains: a headerless encrypted disk', () => {
    const found = classifyContent(withData(blank, (offset) => offset > sizeBytes / 2));
    expect(found.kind).toBe('unknown');
    expect(found.why[0]).toMatch(
      /^there is data at 32 of 64 places that no volume explains, first at byte \d+$/,
    );
  });

  it('is unknown where a partition holds data and no volume', () => {
    const disk = { ...blank.disk, signatures: [signature('sdb', { tableType: 'gpt' })], partitions };
    expect(classifyContent(withData({ ...blank, disk }, (offset) => offset > 8_000_000)).kind).toBe(
      'unknown',
    );
    // The table itself and its copy at the end are explained (UEFI 2.11 section 5.3.1).
    const last = blank.samples.at(-1)?.offset ?? 0;
    expect(classifyContent(withData({ ...blank, disk }, (at) => at === 0 || at === last)).kind).toBe('fresh');
  });

  it('is unknown where it could not be read', () => {
    expect(classifyContent({ ...blank, disk: { ...blank.disk, signatures: null } }).kind).toBe('unknown');
  });

  it('is an unfinished card of ours only by head, content and record together', () => {
    const full = withData(blank, (offset) => offset > 0);
    const ours = { ...full, imagePieces: 3, hasUnfinishedRecord: true };
    expect(classifyContent(ours).kind).toBe('unfinished');
    expect(classifyContent({ ...ours, imagePieces: 0 }).kind).toBe('unknown');
    expect(classifyContent({ ...ours, hasUnfinishedRecord: false }).kind).toBe('unknown');
    expect(classifyContent({ ...ours, headIsZero: false }).kind).toBe('unknown');
  });

  it('is sampled from the first to the last block, within the card', () => {
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 2 ** 40 }), (bytes) => {
        const offsets = sampleOffsets(bytes, 64, 4096);
        const blocks = Math.floor(bytes / 4096);
        expect(offsets.length).toBe(Math.min(64, blocks));
        if (blocks > 0) expect(offsets[0]).toBe(0);
        if (blocks > 1) expect(offsets.at(-1)).toBe((blocks - 1) * 4096);
        expect(offsets.every((one) => one % 4096 === 0 && one + 4096 <= bytes)).toBe(true);
      }),
    );
  });
});

const folder = (...entries: [first: number, attributes: number][]) => {
  const bytes = new Uint8Array(32 * (entries.length + 2));
  for (const [at, [first, attributes]] of entries.entries()) {
    bytes[at * 32] = first;
    bytes[at * 32 + 11] = attributes;
  }
  return bytes;
};

describe('an empty volume', () => {
  // Microsoft's FAT32 File System Specification 1.03, "FAT Directory Structure"
  it('has a name and deleted entries at most, on FAT', () => {
    expect(isEmptyRoot('fat', folder())).toBe(true);
    expect(isEmptyRoot('fat', folder([0x42, 0x08], [0xe5, 0x20]))).toBe(true);
    expect(isEmptyRoot('fat', folder([0x44, 0x20]))).toBe(false);
    expect(isEmptyRoot('fat', folder([0x44, 0x10]))).toBe(false);
    // a long name announces a file (attribute 0F)
    expect(isEmptyRoot('fat', folder([0x41, 0x0f]))).toBe(false);
    expect(isEmptyRoot('fat', new Uint8Array(64).fill(0xe5))).toBe(false);
  });

  // exFAT file system specification, sections 6.2 and 7.1 to 7.4
  it('has bitmap, up-case table and label at most, on exFAT', () => {
    expect(isEmptyRoot('exfat', folder([0x83, 0], [0x81, 0], [0x82, 0]))).toBe(true);
    expect(isEmptyRoot('exfat', folder([0x81, 0], [0x05, 0]))).toBe(true);
    expect(isEmptyRoot('exfat', folder([0x81, 0], [0x85, 0]))).toBe(false);
  });

  it('is not claimed of what is no such volume', () => {
    expect(findRoot(new Uint8Array(512))).toBeNull();
    expect(findRoot(new Uint8Array(10))).toBeNull();
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 512, maxLength: 512 }), (boot) => {
        boot.set([0x55, 0xaa], 510);
        const root = findRoot(boot);
        if (root) expect(root.length).toBeLessThanOrEqual(1 << 17);
      }),
    );
  });
});
