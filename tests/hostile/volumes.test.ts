import fc from 'fast-check';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { checkNodeFiles } from '../../src/job/engine/edit-boot-volume.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { type BootVolume, openVolume } from '../../src/volume/open-volume.ts';
import type { Extent } from '../../src/volume/overlay.ts';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { checkFat, fatTools, makeFat, sourceOf, withFiles } from '../volume/fat-image.ts';
import { damagedVolume } from './damaged-fat.ts';
import { fuzzed, fuzzTimeoutMs, InputCount } from './fuzz.ts';
import { editCard, expectSoundCard, recordedCard, writesOutside } from './recorded-card.ts';

const mib = 2 ** 20;
/** Not at a MiB, so that the volume lies partly in the first MiB, which the engine may hold back. */
const startByte = 96 * 1024;
const around = 32 * 1024;

const kinds = {
  12: ['-F', '12', '-s', '1'],
  16: ['-F', '16', '-s', '1'],
  32: ['-F', '32', '-s', '1'],
} as const;
const sizes = { 12: mib, 16: 2.25 * mib, 32: 1.25 * mib } as const;
type Bits = keyof typeof kinds;

const files = {
  'user-data': '#cloud-config\nhostname: node-image\n',
  'meta-data': `instance-id: node-image\n${'# '.repeat(2000)}\n`,
  'kernel.img': 'k'.repeat(30_000),
  'a long name of the image.txt': 'l'.repeat(1500),
  'folder/one': 'f'.repeat(5000),
  'folder/inner/two': 'g'.repeat(700),
};

/** Every file that can be read, by path; no deeper than a sound volume goes. */
function readAll(volume: BootVolume, folder = '', depth = 0): Map<string, string> {
  const found = new Map<string, string>();
  const entries = tolerate(() => volume.list(folder)) ?? [];
  for (const { name, kind } of entries.slice(0, 40)) {
    const path = folder === '' ? name : `${folder}/${name}`;
    if (kind === 'file') {
      const content = tolerate(() => volume.readFile(path));
      if (content) found.set(path, Buffer.from(content).toString('latin1'));
    } else if (depth < 3) {
      for (const [inner, content] of readAll(volume, path, depth + 1)) found.set(inner, content);
    }
  }
  return found;
}

function tolerate<T>(action: () => T): T | null {
  try {
    return action();
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
    expect(error.code).toMatch(/^volume\./);
    return null;
  }
}

describeWith(fatTools, 'a boot volume made to do harm', { timeoutMs: fuzzTimeoutMs }, () => {
  const inputs = new InputCount();
  const sound = new Map<Bits, Buffer>();
  let outside = 0;
  let edited = 0;
  beforeAll(async () => {
    await loadFat();
    for (const bits of [12, 16, 32] as const) {
      const volume = makeFat([...kinds[bits], '-n', 'BOOTFS'], sizes[bits]);
      sound.set(bits, bits === 32 ? withFilesOfOurs(volume) : withFiles(volume, files));
    }
  });
  afterAll(() => {
    inputs.record('boot volumes, edited by the engine');
    recordFigure('writes outside the boot volume', outside, 'damaged boot volumes');
  });

  /** mtools goes by the number of clusters and takes a small FAT32 for a FAT16. */
  function withFilesOfOurs(image: Buffer): Buffer {
    const after = Buffer.from(image);
    const volume = openVolume(sourceOf(image), extentOf(image, 0));
    for (const [path, content] of Object.entries(files)) volume.writeFile(path, Buffer.from(content));
    for (const { offset, data } of volume.changes()) after.set(data, offset);
    volume.close();
    return after;
  }

  const extentOf = (volume: Buffer, at = startByte): Extent => ({
    startByte: at,
    sizeBytes: volume.length,
    sectorBytes: 512,
  });

  function cardWith(volume: Buffer): Buffer {
    return Buffer.concat([Buffer.alloc(startByte, 0xaa), volume, Buffer.alloc(around, 0xbb)]);
  }

  function contentsOf(image: Buffer, extent: Extent): Map<string, string> {
    const volume = tolerate(() => openVolume(sourceOf(image), extent));
    if (!volume) return new Map();
    try {
      return readAll(volume);
    } finally {
      volume.close();
    }
  }

  async function exercise(volume: Buffer, headIsHeld: boolean): Promise<void> {
    const extent = extentOf(volume);
    const before = cardWith(volume);
    const heldBefore = contentsOf(before, extent);
    const card = recordedCard(before, headIsHeld);
    const answer = await inputs.orderly(() => editCard(card, extent));
    outside += writesOutside(card, extent).length;
    expect(writesOutside(card, extent)).toEqual([]);
    expectSoundCard(card, before, extent);
    if (answer instanceof CardwrightError) {
      expect(answer.code).toMatch(/^(volume|identity)\./);
      expect(card.writes).toEqual([]);
      return;
    }
    edited += 1;
    const after = card.content();
    expect(checkNodeFiles(sourceOf(after), extent, answer.files)).toEqual([]);
    const touched = new Set(
      [...answer.files.map(({ path }) => path), ...answer.removed].map((p) => p.toLowerCase()),
    );
    const heldAfter = contentsOf(after, extent);
    for (const [path, content] of heldBefore) {
      if (!touched.has(path.toLowerCase()))
        expect([path, heldAfter.get(path) === content]).toEqual([path, true]);
    }
  }

  it.each([12, 16, 32] as const)('FAT%d: sound, it is edited and still clean', async (bits) => {
    const volume = sound.get(bits) as Buffer;
    await exercise(volume, true);
    await exercise(volume, false);
    expect(edited).toBeGreaterThanOrEqual(2);
    const card = recordedCard(cardWith(volume), true);
    await editCard(card, extentOf(volume));
    const after = card.content().subarray(startByte, startByte + volume.length);
    expect(checkFat(after)).toMatchObject({ status: 0 });
  });

  it.each([12, 16, 32] as const)('FAT%d: damaged, it is refused or edited within itself', async (bits) => {
    const before = edited;
    await fc.assert(
      fc.asyncProperty(damagedVolume(sound.get(bits) as Buffer, bits), fc.boolean(), exercise),
      fuzzed(100),
    );
    // both answers are met, else the damage would prove nothing
    expect(edited - before).toBeGreaterThan(5);
  });
});
