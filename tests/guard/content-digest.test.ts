import { execFileSync } from 'node:child_process';
import { mkdtemp, open, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { SystemReader } from '../../src/contract/system-reader.ts';
import { digestContent } from '../../src/guard/approval/content-digest.ts';

const mib = 2 ** 20;

/** Reads plain files, as a reader of disks does. */
const fileReader: Pick<SystemReader, 'readBytes'> = {
  async readBytes(file, offset, length) {
    const handle = await open(file, 'r');
    try {
      const { buffer, bytesRead } = await handle.read(Buffer.alloc(length), 0, length, offset);
      return { ok: true, value: buffer.subarray(0, bytesRead) };
    } finally {
      await handle.close();
    }
  },
};

/** coreutils' own digest of a part of a file. */
function sha256sum(file: string, tool: 'head' | 'tail'): string {
  const part = execFileSync(tool, ['-c', String(mib), file], { maxBuffer: 2 * mib });
  return execFileSync('sha256sum', { input: part, encoding: 'utf8' }).slice(0, 64);
}

describe('the digests of head and tail', () => {
  let folder = '';
  const make = async (name: string, content: Uint8Array) => {
    const file = path.join(folder, name);
    await writeFile(file, content);
    return file;
  };

  beforeAll(async () => {
    folder = await mkdtemp(path.join(tmpdir(), 'orchard-digest-'));
  });
  afterAll(() => rm(folder, { recursive: true, force: true }));

  it('are taken of a single byte, and of no less', async () => {
    const file = await make('one', Uint8Array.of(7));
    const digest = sha256sum(file, 'head');
    expect(await digestContent(fileReader, file, 1)).toEqual({
      ok: true,
      value: { headDigest: digest, tailDigest: digest },
    });
    expect(await digestContent(fileReader, file, 0)).toEqual({ ok: false, why: 'no size' });
  });

  it.each([mib, mib + 512, 2 * mib - 1, 5 * mib + 4096])(
    'agree with sha256sum for %i bytes',
    async (size) => {
      const content = Uint8Array.from({ length: size }, (_, at) => (at * 31 + (at >> 8)) & 0xff);
      const file = await make(`of-${size}`, content);
      expect(await digestContent(fileReader, file, size)).toEqual({
        ok: true,
        value: { headDigest: sha256sum(file, 'head'), tailDigest: sha256sum(file, 'tail') },
      });
    },
  );

  it('of zeros are the published ones', async () => {
    // SHA-256 of 1 MiB of zeros, as sha256sum gives it.
    const zeros = '30e14955ebf1352266dc2ff8067e68104607e750abb9d3b36582b8af909fcb58';
    const file = await make('zeros', new Uint8Array(3 * mib));
    const value = { headDigest: zeros, tailDigest: zeros };
    expect(await digestContent(fileReader, file, 3 * mib)).toEqual({ ok: true, value });
  });

  it('cover the same bytes twice on what is smaller than a MiB', async () => {
    // SHA-256("abc"): FIPS 180-4.
    const abc = 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad';
    const file = await make('small', Buffer.from('abc'));
    expect(await digestContent(fileReader, file, 3)).toMatchObject({
      value: { headDigest: abc, tailDigest: abc },
    });
  });

  it('cannot be had of fewer bytes than there should be', async () => {
    const file = await make('short', new Uint8Array(mib + 5));
    const answer = await digestContent(fileReader, file, 2 * mib);
    expect(answer).toEqual({ ok: false, why: `5 of ${mib} bytes at ${mib}` });
  });

  it.each([0, mib])('cannot be had where reading fails at %i', async (failing) => {
    const reader: Pick<SystemReader, 'readBytes'> = {
      readBytes: async (_file, offset, length) =>
        offset === failing ? { ok: false, why: 'EIO' } : { ok: true, value: new Uint8Array(length) },
    };
    expect(await digestContent(reader, '/dev/sdb', 2 * mib)).toEqual({ ok: false, why: 'EIO' });
  });

  it.each([0, -512, 1.5, Number.NaN])('cannot be had of %s bytes', async (size) => {
    expect(await digestContent(fileReader, '/dev/null', size)).toEqual({ ok: false, why: 'no size' });
  });
});
