import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { createDescriptorMedium, type DescriptorCalls } from '../../src/media/descriptor-medium.ts';

describe('a medium over a descriptor', () => {
  let folder: string;
  let fd: number;
  beforeAll(() => {
    folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-medium-'));
    fd = fs.openSync(join(folder, 'card'), 'w+');
    fs.ftruncateSync(fd, 65_536);
  });
  afterAll(() => {
    fs.closeSync(fd);
    fs.rmSync(folder, { recursive: true });
  });

  const facts = { kind: 'file', sizeBytes: 65_536, blockBytes: 512 } as const;
  const bytes = (length: number) => Uint8Array.from({ length }, (_, i) => (i * 7) & 0xff);

  it('moves all bytes and reads them back, waiting or not', async () => {
    const medium = createDescriptorMedium(fd, facts);
    await medium.write(bytes(4096), 8192);
    await medium.flush();
    const back = new Uint8Array(4096);
    await medium.read(back, 8192);
    expect(back).toEqual(bytes(4096));
    medium.readNow(back.fill(0), 8192);
    expect(back).toEqual(bytes(4096));
  });

  /** A system call that moves at most `most` bytes and is interrupted every other time. */
  function reluctant(most: number): DescriptorCalls {
    let calls = 0;
    const slow = (real: typeof fs.write | typeof fs.read) =>
      ((...args: [number, Uint8Array, number, number, number, (e: unknown, n: number) => void]) => {
        const [target, buffer, from, length, position, done] = args;
        if (calls++ % 2 === 0) done(Object.assign(new Error('interrupted'), { code: 'EINTR' }), 0);
        else (real as typeof fs.write)(target, buffer, from, Math.min(most, length), position, done as never);
      }) as never;
    return { read: slow(fs.read), write: slow(fs.write), fdatasync: fs.fdatasync, readSync: fs.readSync };
  }

  it('continues short and interrupted transfers', async () => {
    const medium = createDescriptorMedium(fd, facts, reluctant(1000));
    await medium.write(bytes(8192), 0);
    const back = new Uint8Array(8192);
    await medium.read(back, 0);
    expect(back).toEqual(bytes(8192));
  });

  it('gives up on a device that never moves on, with the place', async () => {
    const stuck: DescriptorCalls = {
      ...fs,
      write: ((...args: unknown[]) => (args.at(-1) as (e: null, n: number) => void)(null, 0)) as never,
    };
    const medium = createDescriptorMedium(fd, facts, stuck);
    await expect(medium.write(bytes(512), 1024)).rejects.toMatchObject({
      code: 'media.write-failed',
      facts: { offset: 1024, length: 512 },
    });
  });

  it('names the error number and the place of a failed transfer, and never repeats it', async () => {
    let calls = 0;
    const failing: DescriptorCalls = {
      ...fs,
      read: ((...args: unknown[]) => {
        calls++;
        (args.at(-1) as (e: Error) => void)(Object.assign(new Error('i/o'), { code: 'EIO' }));
      }) as never,
    };
    const medium = createDescriptorMedium(fd, facts, failing);
    const error = await medium.read(new Uint8Array(512), 512).catch((e) => e);
    expect(error).toBeInstanceOf(CardwrightError);
    expect(error).toMatchObject({
      code: 'media.read-failed',
      facts: { offset: 512, length: 512, errno: 'EIO' },
    });
    expect(calls).toBe(1);
  });

  it('reads past the end as a failure, not as zeros', async () => {
    const medium = createDescriptorMedium(fd, facts);
    await expect(medium.read(new Uint8Array(512), 65_536)).rejects.toMatchObject({
      code: 'media.read-failed',
    });
    expect(() => medium.readNow(new Uint8Array(1024), 65_536 - 512)).toThrow('short transfer');
  });

  it.each(['ENXIO', 'ENODEV', 'ENOMEDIUM', 'ESHUTDOWN'])('takes %s for a card that left', async (code) => {
    const gone: DescriptorCalls = {
      ...fs,
      fdatasync: ((...args: unknown[]) =>
        (args.at(-1) as (e: Error) => void)(Object.assign(new Error(), { code }))) as never,
    };
    await expect(createDescriptorMedium(fd, facts, gone).flush()).rejects.toMatchObject({
      code: 'media.gone',
    });
  });
});
