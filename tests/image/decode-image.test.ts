import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { ContainerKind } from '../../src/contract/image.ts';
import { startDecoder } from '../../src/image/container/decode-image.ts';
import { decoderCommand, wrappedCommand } from '../../src/image/container/decoder-command.ts';
import { judgeDecoderEnd } from '../../src/image/container/decoder-end.ts';
import { describeWith } from '../lab/capabilities.ts';
import { flipBit, noise, run, sha256, workFolder } from './recipes.ts';

const folder = workFolder();
const image = Buffer.concat([noise(200_000), Buffer.alloc(150_000), noise(50_000, 7)]);

interface Outcome {
  end: string;
  out: Buffer;
  digest: string | null;
}

/** Decodes a file of these bytes in this process; gives how it ended, what came out, and the packed digest. */
async function decode(
  container: ContainerKind,
  packed: Uint8Array,
  options: { hashPacked?: boolean; searchPath?: string; uid?: number; gid?: number } = {},
): Promise<Outcome> {
  const file = path.join(folder, `packed.${container}`);
  fs.writeFileSync(file, packed);
  const inputFd = fs.openSync(file, 'r');
  try {
    const decoder = await startDecoder(container, {
      path: file,
      inputFd,
      packedBytes: packed.length,
      ...options,
    });
    const chunks: Buffer[] = [];
    decoder.stdout?.on('data', (chunk: Buffer) => chunks.push(chunk));
    const end = await decoder.done;
    return {
      end: end instanceof CardwrightError ? end.code : 'ok',
      out: Buffer.concat(chunks),
      digest: await decoder.packedSha256,
    };
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
    return { end: error.code, out: Buffer.alloc(0), digest: null };
  } finally {
    fs.closeSync(inputFd);
  }
}

const packers: Record<'gz' | 'xz' | 'zst' | 'bz2', (bytes: Uint8Array) => Buffer> = {
  gz: (bytes) => run('gzip', ['-c'], bytes),
  xz: (bytes) => run('xz', ['-c', '-T2', '--block-size=90000'], bytes),
  zst: (bytes) => run('zstd', ['-q', '-c'], bytes),
  bz2: (bytes) => run('bzip2', ['-c'], bytes),
};
const kinds = ['gz', 'xz', 'zst', 'bz2'] as const;
const tools = ['program:gzip', 'program:xz', 'program:zstd', 'program:bzip2', 'program:setpriv'] as const;

describeWith(tools, 'each decoder, directly and with the packed bytes digested on their way', () => {
  it.each(kinds.flatMap((kind) => [[kind, false] as const, [kind, true] as const]))(
    '%s (digest: %s)',
    async (kind, hashPacked) => {
      const packed = packers[kind](image);
      const whole = await decode(kind, packed, { hashPacked });
      expect(whole.end).toBe('ok');
      expect(whole.out.equals(image)).toBe(true);
      expect(whole.digest).toBe(hashPacked ? sha256(packed) : null);

      // RFC 1952 section 2.2, xz-file-format section 2, RFC 8878 section 3: members one after another are one content
      const two = await decode(kind, Buffer.concat([packed, packed]), { hashPacked });
      expect(two.end).toBe('ok');
      expect(two.out.equals(Buffer.concat([image, image]))).toBe(true);

      const empty = await decode(kind, packers[kind](new Uint8Array()), { hashPacked });
      expect([empty.end, empty.out.length]).toEqual(['ok', 0]);

      const end = async (bytes: Uint8Array) => (await decode(kind, bytes, { hashPacked })).end;
      expect(await end(flipBit(packed, 90_001))).toBe('image.damaged');
      expect(await end(packed.subarray(0, 120_000))).toBe('image.truncated');
      expect(await end(packed.subarray(0, -3))).toBe('image.truncated');
      expect(await end(Buffer.concat([packed, Buffer.from('some other bytes after it')]))).toBe(
        'image.trailing-garbage',
      );
      // zeros after the end: padding for gzip and (in fours) xz, garbage for the others (facts, section 2)
      const zeros = await end(Buffer.concat([packed, Buffer.alloc(4096)]));
      expect(zeros).toBe(kind === 'gz' || kind === 'xz' ? 'ok' : 'image.trailing-garbage');
      const wrongStart = await end(flipBit(packed, 1));
      expect(['image.damaged', 'image.truncated']).toContain(wrongStart);
    },
  );

  it('digests the whole file although the decoder stopped before its end', async () => {
    const packed = Buffer.concat([packers.bz2(image), noise(700_000)]);
    const outcome = await decode('bz2', packed, { hashPacked: true });
    expect(outcome.end).toBe('image.trailing-garbage');
    expect(outcome.digest).toBe(sha256(packed));
  });

  it('unpacks the largest dictionary that is allowed and refuses the next, in the program itself', async () => {
    const xz = (dict: string) =>
      run('xz', ['-c', `--lzma2=preset=0,dict=${dict}`, '-M', '4GiB'], noise(3000));
    expect((await decode('xz', xz('128MiB'))).end).toBe('ok');
    expect((await decode('xz', xz('256MiB'))).end).toBe('image.dictionary-too-large');
    const zst = (log: number) => run('zstd', ['-q', '-c', `--long=${log}`], noise(3000));
    expect((await decode('zst', zst(27))).end).toBe('ok');
    expect((await decode('zst', zst(28))).end).toBe('image.dictionary-too-large');
  });

  it('names the Debian package of a program that is not there', async () => {
    const bare = fs.mkdtempSync(path.join(folder, 'path-'));
    expect((await decode('xz', packers.xz(image), { searchPath: bare })).end).toBe('image.decoder-missing');
    fs.symlinkSync(execFileSync('which', ['setpriv']).toString().trim(), path.join(bare, 'setpriv'));
    for (const kind of kinds) {
      const { end } = await decode(kind, packers[kind](image), {
        searchPath: bare,
        hashPacked: kind === 'gz',
      });
      expect(end).toBe('image.decoder-missing');
    }
  });

  it('lets no setting from the environment in', async () => {
    const packed = packers.xz(image);
    process.env.XZ_OPT = '--keep --memlimit-decompress=1KiB';
    try {
      expect((await decode('xz', packed)).end).toBe('ok');
    } finally {
      delete process.env.XZ_OPT;
    }
  });

  it('stops at once when asked, and says so', async () => {
    const file = path.join(folder, 'zeros.gz');
    fs.writeFileSync(file, run('gzip', ['-1', '-c'], Buffer.alloc(2 ** 24)));
    const inputFd = fs.openSync(file, 'r');
    const decoder = await startDecoder('gz', { path: file, inputFd, packedBytes: fs.statSync(file).size });
    await new Promise((resolve) => decoder.stdout?.once('readable', resolve));
    const before = performance.now();
    decoder.stop();
    const end = await decoder.done;
    fs.closeSync(inputFd);
    expect((end as CardwrightError).code).toBe('image.decoding-stopped');
    expect(performance.now() - before).toBeLessThan(1000);
  });

  it('takes an early close by the reader for no good end', async () => {
    const file = path.join(folder, 'early.zst');
    fs.writeFileSync(file, packers.zst(noise(800_000)));
    const inputFd = fs.openSync(file, 'r');
    const decoder = await startDecoder('zst', { path: file, inputFd, packedBytes: fs.statSync(file).size });
    decoder.stdout?.once('data', () => decoder.stdout?.destroy());
    expect(((await decoder.done) as CardwrightError).code).toBe('image.decoding-stopped');
    fs.closeSync(inputFd);
  });
});

describeWith(['program:zip', 'program:gzip', 'program:setpriv'], 'the image inside a zip file', () => {
  const zip = (bytes: Uint8Array, ...args: string[]) => {
    const own = fs.mkdtempSync(path.join(folder, 'zip-'));
    fs.writeFileSync(path.join(own, 'node-os.img'), bytes);
    execFileSync('zip', ['-q', ...args, 'out.zip', 'node-os.img'], { cwd: own });
    return fs.readFileSync(path.join(own, 'out.zip'));
  };

  it.each([
    ['deflate', ['-6']],
    ['stored', ['-0']],
    ['zip64', ['-fz']],
  ] as const)('%s', async (_name, args) => {
    const packed = zip(image, ...args);
    for (const hashPacked of [false, true]) {
      const { end, out, digest } = await decode('zip', packed, { hashPacked });
      expect(end).toBe('ok');
      expect(out.equals(image)).toBe(true);
      expect(digest).toBe(hashPacked ? sha256(packed) : null);
      expect((await decode('zip', flipBit(packed, 60_000), { hashPacked })).end).toBe('image.damaged');
    }
  });

  it('notices a wrong CRC-32 and a wrong size in the directory', async () => {
    for (const level of ['-0', '-6']) {
      const packed = zip(image, level);
      const entry = packed.indexOf('PK\x01\x02');
      expect((await decode('zip', flipBit(packed, entry + 16))).end).toBe('image.damaged');
      expect((await decode('zip', flipBit(packed, entry + 24))).end).toBe('image.damaged');
    }
  });

  it('an image of nothing', async () => {
    expect(await decode('zip', zip(new Uint8Array()))).toMatchObject({ end: 'ok', out: Buffer.alloc(0) });
  });
});

describeWith(['root', 'program:setpriv', 'program:xz'], 'who the decoder is', () => {
  it('runs as the user it was given, without groups, able to gain nothing', async () => {
    const file = path.join(folder, 'big.xz');
    fs.writeFileSync(file, run('xz', ['-0', '-c'], Buffer.alloc(2 ** 23)));
    const inputFd = fs.openSync(file, 'r');
    const decoder = await startDecoder('xz', {
      path: file,
      inputFd,
      packedBytes: fs.statSync(file).size,
      uid: 65_534,
      gid: 65_534,
    });
    await new Promise((resolve) => decoder.stdout?.once('readable', resolve));
    const status = fs.readFileSync(`/proc/${decoder.pid}/status`, 'utf8');
    expect(status).toMatch(/^Name:\s+xz$/m);
    expect(status).toMatch(/^Uid:\s+65534\s+65534/m);
    expect(status).toMatch(/^Gid:\s+65534\s+65534/m);
    expect(status).toMatch(/^Groups:\s*$/m);
    expect(status).toMatch(/^NoNewPrivs:\s+1$/m);
    decoder.stop();
    await decoder.done;
    fs.closeSync(inputFd);
  });
});

describe('how the end of a decoder is judged', () => {
  const gz = decoderCommand('gz');
  const judge = (exit: Partial<Parameters<typeof judgeDecoderEnd>[2]>) =>
    judgeDecoderEnd('gz', gz, { status: 0, signal: null, stderr: '', ...exit })?.code ?? null;

  it('good is only status 0 in silence about garbage', () => {
    expect(judge({})).toBeNull();
    expect(judge({ stderr: 'bzip2: (stdin): trailing garbage after EOF ignored' })).toBe(
      'image.trailing-garbage',
    );
    expect(judge({ status: 1 })).toBe('image.decoder-failed');
    expect(judge({ status: 2, stderr: 'gzip: something new' })).toBe('image.decoder-failed');
    expect(judge({ status: null, signal: 'SIGKILL' })).toBe('image.decoder-failed');
    expect(judge({ status: null, signal: 'SIGPIPE' })).toBe('image.decoding-stopped');
    expect(judge({ status: 127, stderr: 'setpriv: failed to execute gzip: No such file' })).toBe(
      'image.decoder-missing',
    );
  });

  it('every decoder dies with its parent', () => {
    for (const kind of [...kinds, 'raw', 'zip'] as const) {
      expect(wrappedCommand(decoderCommand(kind)).args).toEqual(
        expect.arrayContaining(['--pdeathsig', 'KILL']),
      );
    }
  });
});
