import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { createOverlay, writeOrder } from '../../src/volume/overlay.ts';
import { applied, codeOf, sourceOf } from './fat-image.ts';

const card = Buffer.from(Array.from({ length: 64 * 512 }, (_, i) => (i * 7) & 0xff));
const extent = { startByte: 8 * 512, sizeBytes: 32 * 512, sectorBytes: 512 };
const { fileData, allocation, directory } = writeOrder;

describe('the overlay', () => {
  it('reads through to its own part of the source, and never changes it', () => {
    const before = Buffer.from(card);
    const overlay = createOverlay(sourceOf(card), extent);
    const bytes = overlay.read(10, 600);
    expect(Buffer.from(bytes)).toEqual(card.subarray(8 * 512 + 10, 8 * 512 + 610));
    bytes.fill(0);
    overlay.write(0, new Uint8Array(512), fileData);
    expect(card).toEqual(before);
  });

  it.each([
    [-1, 1],
    [32 * 512, 1],
    [32 * 512 - 1, 2],
    [0, 32 * 512 + 1],
    [0.5, 1],
    [Number.NaN, 1],
    [Number.MAX_SAFE_INTEGER, 1],
  ])('throws for bytes outside: %d, %d', (offset, length) => {
    const overlay = createOverlay(sourceOf(card), extent);
    expect(codeOf(() => overlay.read(offset, length))).toBe('volume.out-of-bounds');
    expect(codeOf(() => overlay.write(offset, new Uint8Array(length), fileData))).toBe(
      'volume.out-of-bounds',
    );
    expect(overlay.changes()).toEqual([]);
  });

  it.each([
    { startByte: 100, sizeBytes: 512, sectorBytes: 512 },
    { startByte: 0, sizeBytes: 100, sectorBytes: 512 },
    { startByte: 0, sizeBytes: 65 * 512, sectorBytes: 512 },
    { startByte: 512, sizeBytes: 4096, sectorBytes: 4096 },
    { startByte: -512, sizeBytes: 512, sectorBytes: 512 },
    { startByte: 0, sizeBytes: 0, sectorBytes: 512 },
  ])('takes no extent that is not whole sectors of the source: %j', (bad) => {
    expect(codeOf(() => createOverlay(sourceOf(card), bad))).toBe('volume.out-of-bounds');
  });

  it('gives merged runs at absolute offsets: file data, then allocation, then directories', () => {
    const overlay = createOverlay(sourceOf(card), extent);
    const sector = (fill: number) => new Uint8Array(512).fill(fill);
    overlay.write(0 * 512, sector(1), directory);
    overlay.write(4 * 512, sector(2), allocation);
    overlay.write(9 * 512, sector(3), fileData);
    overlay.write(8 * 512, sector(4), fileData);
    overlay.write(5 * 512, sector(5), allocation);
    const changes = overlay.changes();
    expect(changes.map(({ offset, data }) => [offset / 512 - 8, data.length / 512])).toEqual([
      [8, 2],
      [4, 2],
      [0, 1],
    ]);
    expect(changes[0]?.data[0]).toBe(4);
  });

  it('drops sectors whose content is the same again', () => {
    const overlay = createOverlay(sourceOf(card), extent);
    const old = overlay.read(0, 3 * 512);
    overlay.write(0, new Uint8Array(3 * 512), fileData);
    overlay.write(512, old.subarray(512, 1024), fileData);
    expect(overlay.changes().map(({ offset }) => offset / 512 - 8)).toEqual([0, 2]);
  });

  it('gives whole logical blocks of a 4096-byte disk for a change of one byte', () => {
    const overlay = createOverlay(sourceOf(card), {
      startByte: 4096,
      sizeBytes: 4 * 4096,
      sectorBytes: 4096,
    });
    overlay.write(5000, Uint8Array.of(0xee), fileData);
    const [change] = overlay.changes();
    expect([change?.offset, change?.data.length]).toEqual([8192, 4096]);
    expect(change?.data[5000 - 4096]).toBe(0xee);
  });

  it('goes back to a checkpoint', () => {
    const overlay = createOverlay(sourceOf(card), extent);
    overlay.write(0, Uint8Array.of(1, 2, 3), fileData);
    const kept = overlay.changes();
    const restore = overlay.checkpoint();
    overlay.write(0, Uint8Array.of(9), fileData);
    overlay.write(4096, Uint8Array.of(9), fileData);
    restore();
    expect(overlay.changes()).toEqual(kept);
  });

  it('behaves like a plain array of bytes', () => {
    const edits = fc.array(
      fc.record({
        offset: fc.integer({ min: 0, max: 32 * 512 - 1 }),
        bytes: fc.uint8Array({ minLength: 1, maxLength: 2000 }),
        order: fc.constantFrom(fileData, allocation, directory),
      }),
      { maxLength: 12 },
    );
    fc.assert(
      fc.property(edits, (list) => {
        const overlay = createOverlay(sourceOf(card), extent);
        const model = Buffer.from(card);
        for (const { offset, bytes, order } of list) {
          const fitting = bytes.subarray(0, 32 * 512 - offset);
          overlay.write(offset, fitting, order);
          model.set(fitting, extent.startByte + offset);
        }
        expect(applied(card, overlay.changes()).equals(model)).toBe(true);
        const ours = model.subarray(extent.startByte, extent.startByte + extent.sizeBytes);
        expect(ours.equals(overlay.read(0, extent.sizeBytes))).toBe(true);
      }),
      { numRuns: 60, seed: 11 },
    );
  });
});
