import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it, onTestFinished } from 'vitest';
import type { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { createFaultyMedium } from '../../src/media/faulty-medium.ts';
import { createMemoryMedium } from '../../src/media/memory-medium.ts';
import { watchDiskseq } from '../../src/media/slot-watch.ts';
import { watchMedium } from '../../src/media/watched-medium.ts';

/** A stand-in for the sysfs file: a plain file that the test rewrites. */
function diskseqFile(first: number) {
  const folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-seq-'));
  onTestFinished(() => fs.rmSync(folder, { recursive: true }));
  const path = join(folder, 'diskseq');
  fs.writeFileSync(path, `${first}\n`);
  return { fd: fs.openSync(path, 'r'), set: (value: number) => fs.writeFileSync(path, `${value}\n`) };
}

describe('a watched medium', () => {
  const block = new Uint8Array(512).fill(7);

  it('writes while the slot keeps its number', async () => {
    const inner = createMemoryMedium(4096);
    await watchMedium(inner, watchDiskseq(diskseqFile(17).fd, 17)).write(block, 0);
    expect(inner.bytes[0]).toBe(7);
  });

  it('sends not one byte to another card, then or later', async () => {
    const inner = createMemoryMedium(4096);
    const seq = diskseqFile(17);
    const medium = watchMedium(inner, watchDiskseq(seq.fd, 17));
    seq.set(18);
    await expect(medium.write(block, 0)).rejects.toMatchObject({
      code: 'media.changed',
      facts: { expected: 17, found: 18 },
    });
    seq.set(17);
    await expect(medium.write(block, 512)).rejects.toMatchObject({ code: 'media.changed' });
    expect(inner.bytes.every((byte) => byte === 0)).toBe(true);
  });

  it('ends all writing with the first I/O error, flushing included', async () => {
    const inner = createMemoryMedium(4096);
    const failing = createFaultyMedium(inner, { kind: 'write-error', atByte: 600 });
    const medium = watchMedium(failing, { check: () => undefined });
    await expect(medium.write(block, 512)).rejects.toMatchObject({ code: 'media.write-failed' });
    await expect(medium.write(block, 0)).rejects.toMatchObject({
      code: 'media.write-failed',
      facts: { offset: 512 },
    });
    await expect(medium.flush()).rejects.toMatchObject({ code: 'media.write-failed' });
    expect(inner.bytes[0]).toBe(0);
    expect(inner.flushes).toBe(0);
  });

  it('ends all writing with a failed read too, and goes on reading', async () => {
    const inner = createMemoryMedium(4096);
    const failing = createFaultyMedium(inner, { kind: 'read-error', atByte: 0 });
    for (const read of ['read', 'readNow'] as const) {
      const medium = watchMedium(failing, { check: () => undefined });
      await medium.write(block, 1024);
      await expect((async () => medium[read](new Uint8Array(512), 0))()).rejects.toMatchObject({
        code: 'media.read-failed',
      });
      await expect(medium.write(block, 512)).rejects.toMatchObject({ code: 'media.read-failed' });
      await medium.read(new Uint8Array(512), 1024);
    }
    expect(inner.bytes[512]).toBe(0);
  });

  it('counts the writes that were on their way when the card was exchanged, and only those', async () => {
    const memory = createMemoryMedium(4096);
    const seq = diskseqFile(17);
    const waiting: (() => void)[] = [];
    const slow = {
      ...memory,
      write: (source: Uint8Array, offset: number) =>
        new Promise<void>((resolve) => waiting.push(resolve)).then(() => memory.write(source, offset)),
    };
    const medium = watchMedium(slow, watchDiskseq(seq.fd, 17));
    const finished = medium.write(block, 0);
    waiting[0]?.();
    await finished;
    const writes = [512, 1024, 1536].map((offset) => medium.write(block, offset));
    seq.set(18);
    for (const go of waiting) go();
    const onTheWayBytes = 3 * 512;
    const facts = { expected: 17, found: 18, onTheWayBytes };
    for (const write of writes) await expect(write).rejects.toMatchObject({ code: 'media.changed', facts });
    await expect(medium.write(block, 2048)).rejects.toMatchObject({ facts });
  });

  it('counts them with an error that comes before the kernel notices the exchange, too', async () => {
    const failing = createFaultyMedium(createMemoryMedium(4096), { kind: 'write-error', atByte: 600 });
    const medium = watchMedium(failing, { check: () => undefined });
    await expect(medium.write(block, 512)).rejects.toMatchObject({
      code: 'media.write-failed',
      facts: { offset: 512, onTheWayBytes: 512 },
    });
    const unsent = watchMedium(failing, watchDiskseq(diskseqFile(18).fd, 17));
    const error = await unsent.write(block, 0).catch((thrown: CardwrightError) => thrown);
    expect(error?.facts).toEqual({ expected: 17, found: 18 });
  });

  it('calls an error on an exchanged card by what it was', async () => {
    const inner = createMemoryMedium(4096);
    const seq = diskseqFile(3);
    const failing = createFaultyMedium(inner, { kind: 'read-error', atByte: 0 });
    const medium = watchMedium(failing, watchDiskseq(seq.fd, 3));
    await expect(medium.read(new Uint8Array(512), 0)).rejects.toMatchObject({ code: 'media.read-failed' });
    seq.set(4);
    await expect(medium.read(new Uint8Array(512), 0)).rejects.toMatchObject({ code: 'media.changed' });
  });
});
