import { spawn } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { ImageFacts } from '../../src/contract/image.ts';
import { makePipe } from '../../src/image/container/make-pipe.ts';
import { type ImageStream, openImageStream } from '../../src/image/container/open-image-stream.ts';
import { inspectImage } from '../../src/image/inspect-image.ts';
import { bundleProgram } from '../lab/bundle.ts';
import { describeWith } from '../lab/capabilities.ts';
import { codeOf, flipBit, noise, overwrite, run, sha256, workFolder } from './recipes.ts';

const folder = workFolder();
// a boot signature, and enough bytes that pipes fill up many times
const image = noise(1_500_000);
image.set([0x55, 0xaa], 510);

/** The worker of this test: reads descriptor 3 to its end, counts and digests, as a second Node process. */
const counter = `
const fs = require('node:fs'), hash = require('node:crypto').createHash('sha256');
const buffer = Buffer.alloc(1 << 20);
let count = 0;
for (;;) {
  const got = fs.readSync(3, buffer, 0, buffer.length, null);
  if (got === 0) break;
  count += got;
  hash.update(buffer.subarray(0, got));
}
console.log(count + ' ' + hash.digest('hex'));
`;

async function countIn(stream: ImageStream): Promise<string> {
  const child = spawn(process.execPath, ['-e', counter], { stdio: ['ignore', 'pipe', 'inherit', stream.fd] });
  stream.release();
  let out = '';
  child.stdout?.on('data', (text) => {
    out += text;
  });
  await new Promise((resolve) => child.once('close', resolve));
  return out.trim();
}

function save(name: string, bytes: Uint8Array): string {
  const file = path.join(folder, name);
  fs.writeFileSync(file, bytes);
  return file;
}

const inspect = (file: string) => inspectImage(file, { decode: 'when-needed' });
const expected = `${image.length} ${sha256(image)}`;

const tools = [
  'program:xz',
  'program:zstd',
  'program:gzip',
  'program:zip',
  'program:setpriv',
  'program:mkfifo',
] as const;

describeWith(tools, 'an image on its way into another process', () => {
  const files: [string, () => string][] = [
    ['raw', () => save('a.img', image)],
    ['gz', () => save('a.gz', run('gzip', ['-1', '-c'], image))],
    ['xz', () => save('a.xz', run('xz', ['-0', '-c'], image))],
    ['zst', () => save('a.zst', run('zstd', ['-q', '-c'], image))],
    ['bz2', () => save('a.bz2', run('bzip2', ['-1', '-c'], image))],
    ['zip', () => save('a.zip', run('zip', ['-q', '-1', '-', '-'], image))],
  ];

  it.each(files)('%s: all of it arrives, also where the reader starts late', async (kind, make) => {
    const file = make();
    const facts = await inspect(file);
    for (const hashPacked of [false, true]) {
      const stream = await openImageStream(facts, { hashPacked });
      // by now the decoder has filled the pipe
      await sleep(150);
      expect(await countIn(stream)).toBe(expected);
      expect(await stream.done).toEqual({ ok: true });
      expect(await stream.packedSha256).toBe(hashPacked ? sha256(fs.readFileSync(file)) : null);
      expect(stream.kind).toBe(kind === 'raw' && !hashPacked ? 'file' : 'pipe');
      stream.assertUnchanged();
      await stream.close();
      await stream.close();
    }
  });

  it('a damaged file ends badly although the reader saw an end', async () => {
    const packed = run('gzip', ['-1', '-c'], image);
    const file = save('b.gz', packed);
    const facts = await inspect(file);
    fs.writeFileSync(file, flipBit(packed, packed.length - 6));
    const { fileStamp: _, ...unstamped } = facts;
    const stream = await openImageStream(unstamped as ImageFacts, { hashPacked: false });
    expect(await countIn(stream)).toBe(expected);
    expect(((await stream.done) as CardwrightError).code).toBe('image.damaged');
    await stream.close();
  });

  it('refuses a file that is not the one that was looked at, and notices a later change', async () => {
    const file = save('c.img', image);
    const facts = await inspect(file);
    overwrite(file, 4096, Buffer.from('x'));
    expect(await codeOf(() => openImageStream(facts, { hashPacked: false }))).toBe('image.changed');
    const stream = await openImageStream(await inspect(file), { hashPacked: false });
    overwrite(file, 4096, Buffer.from('y'));
    expect(await codeOf(() => stream.assertUnchanged())).toBe('image.changed');
    await stream.close();
  });

  it('close ends a decoder whose reader never came', async () => {
    const facts = await inspect(save('d.xz', run('xz', ['-0', '-c'], image)));
    const stream = await openImageStream(facts, { hashPacked: true });
    await stream.close();
    expect(await stream.done).toBeInstanceOf(CardwrightError);
    expect(await stream.packedSha256).toBeNull();
  });

  it('leaves no descriptor and no folder behind', async () => {
    const facts = await inspect(save('e.zst', run('zstd', ['-q', '-c'], image)));
    const count = () => fs.readdirSync('/proc/self/fd').length;
    const before = count();
    for (let i = 0; i < 3; i++) {
      const stream = await openImageStream(facts, { hashPacked: i === 1 });
      await stream.close();
    }
    // a socket may take a turn of the loop to be gone
    await sleep(50);
    expect(count()).toBeLessThanOrEqual(before);
    const pipe = await makePipe();
    expect(fs.fstatSync(pipe.readFd).isFIFO()).toBe(true);
    fs.closeSync(pipe.readFd);
    fs.closeSync(pipe.writeFd);
  });
});

describeWith(tools, 'when this process is killed', () => {
  it('its decoder dies too, even where somebody else still holds the other end of its pipe', async () => {
    const packed = save('f.gz', run('gzip', ['-1', '-c'], Buffer.alloc(2 ** 22)));
    const script = path.join(folder, 'parent.mjs');
    await bundleProgram(
      `import fs from 'node:fs';
       import { startDecoder } from '../../src/image/container/decode-image.ts';
       const inputFd = fs.openSync(${JSON.stringify(packed)}, 'r');
       const packedBytes = ${fs.statSync(packed).size};
       startDecoder('gz', { path: 'f.gz', inputFd, packedBytes, outputFd: 3 }).then(({ pid }) => console.log(pid));`,
      script,
    );
    const pipe = await makePipe();
    const parent = spawn(process.execPath, [script], { stdio: ['ignore', 'pipe', 'inherit', pipe.writeFd] });
    fs.closeSync(pipe.writeFd);
    const pid = await new Promise<number>((resolve) =>
      parent.stdout?.once('data', (text) => resolve(Number(text))),
    );
    // a dead child may stay a zombie where nobody takes its status
    const state = () => {
      try {
        return /^State:\s+(\w)/m.exec(fs.readFileSync(`/proc/${pid}/status`, 'utf8'))?.[1] ?? 'gone';
      } catch {
        return 'gone';
      }
    };
    // the pipe is full before the image is over, so it waits for a reader
    fs.readSync(pipe.readFd, Buffer.alloc(1), 0, 1, null);
    await sleep(50);
    expect(['S', 'R']).toContain(state());
    parent.kill('SIGKILL');
    for (let i = 0; i < 200 && !['Z', 'X', 'gone'].includes(state()); i++) await sleep(10);
    expect(['Z', 'X', 'gone']).toContain(state());
    fs.closeSync(pipe.readFd);
  });
});
