import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { constants, crc32, deflateRawSync } from 'node:zlib';
import { expect, it } from 'vitest';
import { readBzip2 } from '../../src/image/container/bzip2.ts';
import { readGzip } from '../../src/image/container/gzip.ts';
import { openSource } from '../../src/image/container/open-source.ts';
import { readXz } from '../../src/image/container/xz.ts';
import { readZip } from '../../src/image/container/zip.ts';
import { readZstd } from '../../src/image/container/zstd.ts';
import { describeWith } from '../lab/capabilities.ts';
import { codeOf, fileSource, flipBit, memorySource, noise, run, workFolder } from './recipes.ts';

const folder = workFolder();
const codes = (facts: { findings: { code: string }[] }) => facts.findings.map(({ code }) => code);

function save(name: string, ...parts: Uint8Array[]): string {
  const file = path.join(folder, name);
  fs.writeFileSync(file, Buffer.concat(parts));
  return file;
}

describeWith(['program:xz'], 'xz: what the file tells without unpacking', () => {
  const xz = (input: string | Uint8Array, ...args: string[]) => run('xz', ['-c', ...args], input);
  /** `xz --robot -lv`, line "file": streams, blocks, compressed, uncompressed, ratio, checks, padding (xz(1)) */
  function listed(file: string) {
    const lines = run('xz', ['--robot', '-lvv', file]).toString().split('\n');
    const cells = lines.find((line) => line.startsWith('file'))?.split('\t') ?? [];
    return { streams: Number(cells[1]), blocks: Number(cells[2]), sizeBytes: Number(cells[4]) };
  }

  it.each([
    ['one stream', () => [xz('hello world\n')]],
    // check value: two concatenated 12-byte files unpack to 24 (facts: xz 5.4.1)
    ['two streams', () => [xz('hello world\n'), xz('hello world\n')]],
    ['stream padding', () => [xz('a'), Buffer.alloc(20), xz('b'), Buffer.alloc(4)]],
    ['several blocks', () => [xz(noise(100_000), '--block-size=20000')]],
    ['threaded blocks', () => [xz(noise(100_000), '-T2', '--block-size=30000')]],
    ['nothing', () => [xz('')]],
    ['other filters', () => [xz(noise(5000), '--x86', '--delta=dist=4', '--lzma2=dict=1MiB')]],
  ])('agrees with xz --robot -l about %s', (name, parts) => {
    const file = save(`${name}.xz`, ...parts());
    const { streams, blocks, sizeBytes } = readXz(fileSource(file));
    expect({ streams, blocks, sizeBytes }).toEqual(listed(file));
  });

  it.each([
    ['64KiB', 2 ** 16],
    ['96KiB', 3 * 2 ** 15],
    ['8MiB', 2 ** 23],
    ['128MiB', 2 ** 27],
  ])('reads a dictionary of %s', (dict, dictionaryBytes) => {
    expect(readXz(memorySource(xz('x', `--lzma2=dict=${dict}`))).dictionaryBytes).toBe(dictionaryBytes);
  });

  it('refuses a larger dictionary by name', async () => {
    const bytes = xz('x', '--lzma2=preset=0,dict=192MiB', '-M', '4GiB');
    expect(await codeOf(() => readXz(memorySource(bytes)))).toBe('image.dictionary-too-large');
  });

  it('tells a cut from something appended', async () => {
    const whole = xz(noise(3000));
    const code = (bytes: Uint8Array) => codeOf(() => readXz(memorySource(bytes)));
    expect(await code(whole.subarray(0, -4))).toBe('image.truncated');
    expect(await code(whole.subarray(0, 1500))).toBe('image.truncated');
    expect(await code(Buffer.concat([whole, Buffer.from('and more')]))).toBe('image.trailing-garbage');
    // padding has to be a multiple of four (section 2.2)
    expect(await code(Buffer.concat([whole, Buffer.alloc(5)]))).toBe('image.trailing-garbage');
    expect(await code(flipBit(whole, whole.length - 20))).toBe('image.damaged');
    expect(await code(Buffer.concat([xz('a'), noise(400), whole]))).toBe('image.trailing-garbage');
  });

  it('refuses a check that xz cannot verify', async () => {
    // check id 2 is reserved (section 2.1.1.2): header and footer flags with their checksums made anew
    const bytes = xz('x', '--check=none');
    const resum = (from: number, to: number, at: number) =>
      bytes.writeUInt32LE(crc32(bytes.subarray(from, to)), at);
    bytes[7] = 2;
    resum(6, 8, 8);
    bytes[bytes.length - 3] = 2;
    resum(bytes.length - 8, bytes.length - 2, bytes.length - 12);
    expect(await codeOf(() => readXz(memorySource(bytes)))).toBe('image.check-unsupported');
  });
});

describeWith(['program:zstd'], 'zst: what the frames tell', () => {
  const zstd = (file: string, ...args: string[]) => run('zstd', ['-q', '-c', ...args, file]);
  const plain = (name: string, bytes: Uint8Array | string) => save(name, Buffer.from(bytes));
  const skippable = Buffer.concat([Buffer.from('522a4d1803000000', 'hex'), Buffer.from('abc')]);

  it('sums frames and passes over skippable ones', () => {
    const one = zstd(plain('one.bin', noise(1000)));
    const facts = readZstd(memorySource(Buffer.concat([skippable, one, skippable, one])));
    expect(facts).toMatchObject({ sizeBytes: 2000, frames: 2, skippableFrames: 2 });
  });

  it('tells whether there is a checksum', () => {
    const facts = readZstd(memorySource(zstd(plain('sum.bin', 'x'), '--no-check')));
    expect(codes(facts)).toEqual(['image.no-integrity']);
    expect(codes(readZstd(memorySource(zstd(plain('sum.bin', 'x')))))).toEqual([]);
  });

  it('refuses a window over 128 MiB, as zstd itself does, and takes one of 128 MiB', async () => {
    const long = (log: number) => run('zstd', ['-q', '-c', `--long=${log}`, '-1', '--no-check'], noise(2000));
    expect(readZstd(memorySource(long(27))).windowBytes).toBe(2 ** 27);
    expect(await codeOf(() => readZstd(memorySource(long(28))))).toBe('image.dictionary-too-large');
    expect(() => run('zstd', ['-q', '-dc'], long(28))).toThrow(/too much memory/);
  });

  it('tells a cut from something appended', async () => {
    const whole = zstd(plain('cut.bin', noise(300_000)));
    const code = (bytes: Uint8Array) => codeOf(() => readZstd(memorySource(bytes)));
    expect(await code(whole.subarray(0, -2))).toBe('image.truncated');
    expect(await code(whole.subarray(0, 5))).toBe('image.truncated');
    expect(await code(whole.subarray(0, 140_000))).toBe('image.truncated');
    expect(await code(Buffer.concat([whole, Buffer.alloc(9)]))).toBe('image.trailing-garbage');
    expect(await code(Buffer.concat([whole, Buffer.from('x')]))).toBe('image.trailing-garbage');
    expect(await code(flipBit(whole, 4, 0x08))).toBe('image.damaged');
  });

  it('refuses what needs an external dictionary', async () => {
    for (let i = 0; i < 200; i++)
      plain(`sample-${i}`, `orchard node ${i} of the set, slot ${i % 7}, ${noise(40, i).toString('hex')}`);
    const dictionary = path.join(folder, 'dictionary');
    const samples = Array.from({ length: 200 }, (_, i) => path.join(folder, `sample-${i}`));
    run('zstd', ['-q', '--train', ...samples, '-o', dictionary, '--maxdict=2000']);
    const bytes = zstd(samples[0] as string, '-D', dictionary);
    expect(await codeOf(() => readZstd(memorySource(bytes)))).toBe('image.needs-dictionary');
  });
});

describeWith(['program:gzip', 'program:bzip2'], 'gz and bz2: no size', () => {
  /** A gz file of so many MiB of zeros and 100 more, put together from deflate blocks that refer to nothing. */
  function zerosInGzip(mib: number): Buffer {
    const zeros = Buffer.alloc(2 ** 20);
    const rest = Buffer.alloc(100);
    const piece = deflateRawSync(zeros, { finishFlush: constants.Z_FULL_FLUSH });
    let sum = 0;
    for (let i = 0; i < mib; i++) sum = crc32(zeros, sum);
    const trailer = Buffer.alloc(8);
    trailer.writeUInt32LE(crc32(rest, sum), 0);
    trailer.writeUInt32LE((mib * 2 ** 20 + 100) % 2 ** 32, 4);
    const header = Buffer.from('1f8b08000000000000ff', 'hex');
    return Buffer.concat([header, ...Array<Buffer>(mib).fill(piece), deflateRawSync(rest), trailer]);
  }

  it('takes ISIZE for a hint: 2^32 + 100 zeros leave 100 (RFC 1952 section 2.3.1)', () => {
    // a small one is checked by gzip; the large one takes it 17 seconds (gzip 1.12 -l then says 4294967396)
    run('gzip', ['-t'], zerosInGzip(2));
    const facts = readGzip(memorySource(zerosInGzip(4096)));
    expect(facts.sizeBytes).toBeNull();
    expect(facts.findings).toEqual([
      { code: 'image.size-hint', severity: 'note', facts: { hintBytes: 100 } },
    ]);
  });

  it('names what is not deflate, and what is cut', async () => {
    const bytes = run('gzip', ['-c'], 'x');
    expect(await codeOf(() => readGzip(memorySource(flipBit(bytes, 2, 0x01))))).toBe(
      'image.method-unsupported',
    );
    expect(await codeOf(() => readGzip(memorySource(flipBit(bytes, 3, 0x80))))).toBe('image.damaged');
    expect(await codeOf(() => readGzip(memorySource(bytes.subarray(0, 15))))).toBe('image.truncated');
  });

  it('names a bz2 that is cut', async () => {
    const bytes = run('bzip2', ['-c'], '');
    expect(await codeOf(() => readBzip2(memorySource(bytes.subarray(0, 12))))).toBe('image.truncated');
  });
});

describeWith(['program:zip'], 'zip: the central directory', () => {
  function zip(name: string, files: Record<string, Uint8Array | string>, ...args: string[]): string {
    const own = fs.mkdtempSync(path.join(folder, 'zip-'));
    for (const [file, bytes] of Object.entries(files)) {
      fs.mkdirSync(path.dirname(path.join(own, file)), { recursive: true });
      fs.writeFileSync(path.join(own, file), bytes);
    }
    const archive = path.join(own, name);
    execFileSync('zip', ['-q', '-r', ...args, archive, ...Object.keys(files)], { cwd: own });
    return archive;
  }
  async function facts(file: string) {
    const source = openSource(file);
    try {
      return await readZip(source);
    } finally {
      source.close();
    }
  }

  it('finds the one image, deflated or stored', async () => {
    const image = noise(5000);
    const deflated = await facts(zip('a.zip', { 'node-os.img': Buffer.alloc(5000) }));
    expect(deflated).toMatchObject({
      sizeBytes: 5000,
      memberName: 'node-os.img',
      member: { method: 'deflate' },
    });
    const stored = await facts(zip('b.zip', { 'node-os.img': image }, '-0'));
    expect(stored.member).toMatchObject({ method: 'stored', packedBytes: 5000 });
  });

  it('reads a streamed member and zip64 fields (zip 3.0 writes both from a pipe)', async () => {
    const file = save('piped.zip', run('zip', ['-q', '-', '-'], noise(5000)));
    expect((await facts(file)).sizeBytes).toBe(5000);
    const zip64 = zip('c.zip', { 'node-os.img': noise(5000) }, '-fz');
    expect(fs.readFileSync(zip64).includes(Buffer.from('PK\x06\x06'))).toBe(true);
    expect((await facts(zip64)).sizeBytes).toBe(5000);
  });

  it('takes the only image among other files and says so', async () => {
    const found = await facts(zip('d.zip', { 'in/node-os.img': 'x', 'READ.me': 'y', 'sums.txt': 'z' }));
    expect(found.memberName).toBe('in/node-os.img');
    expect(codes(found)).toEqual(['image.zip-other-members']);
  });

  it('refuses none, several, encrypted, and unknown methods by name', async () => {
    const empty = save('empty.zip', Buffer.from('504b0506'.padEnd(44, '0'), 'hex'));
    expect(await codeOf(() => facts(empty))).toBe('image.zip-members');
    expect(await codeOf(() => facts(zip('e.zip', { 'a.img': 'x', 'b.img': 'y' })))).toBe('image.zip-members');
    expect(await codeOf(() => facts(zip('f.zip', { 'a.img': 'x' }, '-P', 'secret')))).toBe(
      'image.zip-encrypted',
    );
    const bzipped = zip('g.zip', { 'a.img': Buffer.alloc(9000) }, '-Z', 'bzip2');
    expect(await codeOf(() => facts(bzipped))).toBe('image.method-unsupported');
  });

  it('tells a cut from something appended', async () => {
    const whole = fs.readFileSync(zip('h.zip', { 'a.img': noise(5000) }));
    const code = (name: string, ...parts: Uint8Array[]) => codeOf(() => facts(save(name, ...parts)));
    expect(await code('cut.zip', whole.subarray(0, 3000))).toBe('image.truncated');
    expect(await code('more.zip', whole, Buffer.from('more'))).toBe('image.trailing-garbage');
    const entry = whole.indexOf('PK\x01\x02');
    expect(await code('flip.zip', flipBit(whole, entry))).toBe('image.damaged');
    // the size of a stored member is there twice
    expect(await code('size.zip', flipBit(whole, entry + 24))).toBe('image.damaged');
  });

  it('survives places beyond all numbers', async () => {
    const whole = fs.readFileSync(zip('i.zip', { 'a.img': noise(50) }, '-fz'));
    const locator = whole.indexOf('PK\x06\x07');
    whole.fill(0xff, locator + 8, locator + 16);
    expect(await codeOf(() => facts(save('far.zip', whole)))).toBe('image.truncated');
  });
});
