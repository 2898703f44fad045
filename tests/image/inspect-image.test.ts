import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { ImageFacts } from '../../src/contract/image.ts';
import { type InspectOptions, inspectImage, requireWritableImage } from '../../src/image/inspect-image.ts';
import { describeWith } from '../lab/capabilities.ts';
import {
  codeOf,
  flipBit,
  noise,
  overwrite,
  partitionByRecipe,
  run,
  sha256,
  sparseFile,
  workFolder,
} from './recipes.ts';

const folder = workFolder();
const mib = 2 ** 20;
const inspect = (file: string, options: Partial<InspectOptions> = {}) =>
  inspectImage(file, { decode: 'when-needed', spoolFolder: folder, ...options });
const refusal = (file: string, options: Partial<InspectOptions> = {}) => codeOf(() => inspect(file, options));
const codes = (facts: ImageFacts) => facts.findings.map(({ code }) => code);

function save(name: string, ...parts: (Uint8Array | string)[]): string {
  const file = path.join(folder, name);
  fs.writeFileSync(file, Buffer.concat(parts.map((part) => Buffer.from(part as string))));
  return file;
}

/** An image as most boards use it: FAT boot volume, ext4 root volume that was never booted. */
function usualImage(name: string): string {
  const file = partitionByRecipe(path.join(folder, name), 'golden-mbr');
  const boot = sparseFile(path.join(folder, 'boot'), 32 * mib);
  run('mkfs.vfat', ['-F', '32', '-n', 'BOOTFS', boot]);
  const root = sparseFile(path.join(folder, 'root'), 28 * mib);
  const tree = fs.mkdtempSync(path.join(folder, 'tree-'));
  fs.mkdirSync(path.join(tree, 'etc'));
  fs.writeFileSync(path.join(tree, 'etc/machine-id'), 'uninitialized\n');
  run('mkfs.ext4', ['-q', '-L', 'rootfs', '-d', tree, root]);
  run('dd', [`if=${boot}`, `of=${file}`, 'bs=1M', 'seek=4', 'conv=notrunc,sparse', 'status=none']);
  run('dd', [`if=${root}`, `of=${file}`, 'bs=1M', 'seek=36', 'conv=notrunc,sparse', 'status=none']);
  return file;
}

const pack: Record<string, (file: string) => Buffer> = {
  gz: (file) => run('gzip', ['-1', '-c', file]),
  xz: (file) => run('xz', ['-0', '-c', file]),
  zst: (file) => run('zstd', ['-q', '-c', file]),
  bz2: (file) => run('bzip2', ['-1', '-c', file]),
  zip: (file) => run('zip', ['-q', '-j', '-1', '-', file]),
};

const tools = [
  'program:sfdisk',
  'program:mkfs.vfat',
  'program:mkfs.ext4',
  'program:xz',
  'program:zstd',
  'program:zip',
] as const;

describeWith(tools, 'the usual image, raw and packed in every way', () => {
  const layout = {
    shape: 'partitioned',
    sizeBytes: 64 * mib,
    table: { kind: 'mbr', diskId: '12345678' },
    volumes: [
      { partition: 1, type: 'fat32', label: 'BOOTFS', startByte: 4 * mib, sizeBytes: 32 * mib },
      { partition: 2, type: 'ext4', label: 'rootfs', startByte: 36 * mib, sizeBytes: 28 * mib },
    ],
    bootVolume: { partition: 1, type: 'fat32', label: 'BOOTFS' },
  };
  let made: string | null = null;
  const image = () => {
    made ??= usualImage('node-os.img');
    return made;
  };

  it('raw', async () => {
    const facts = await inspect(image(), { hashPacked: true });
    expect(facts).toMatchObject({ ...layout, container: 'raw', sizeFrom: 'format', memberName: null });
    expect(facts.packedSha256).toBe(sha256(fs.readFileSync(image())));
    expect(facts.findings).toEqual([]);
    expect(() => requireWritableImage(facts)).not.toThrow();
  });

  it.each([
    ['gz', 'decoded'],
    ['xz', 'format'],
    ['zst', 'format'],
    ['bz2', 'decoded'],
    ['zip', 'format'],
  ])('%s', async (kind, sizeFrom) => {
    const file = save(`node-os.img.${kind}`, (pack[kind] as (f: string) => Buffer)(image()));
    const quick = await inspect(file);
    expect(quick).toMatchObject({
      ...layout,
      container: kind,
      sizeFrom,
      packedBytes: fs.statSync(file).size,
    });
    expect(quick.memberName).toBe(kind === 'zip' ? 'node-os.img' : null);
    expect(codes(quick)).toEqual(['image.hazards-not-looked-at']);
    const steps: number[] = [];
    const full = await inspect(file, {
      decode: 'always',
      hashPacked: true,
      onProgress: ({ unpackedBytes }) => steps.push(unpackedBytes),
    });
    expect(full).toMatchObject({ ...layout, sizeFrom: 'decoded' });
    expect(full.findings).toEqual([]);
    expect(full.packedSha256).toBe(sha256(fs.readFileSync(file)));
    expect(steps.at(-1)).toBe(64 * mib);
  });

  it('stops early where the container tells the size', async () => {
    // the boot volume alone is looked at far into the stream; damage after that is not met without `always`
    const tail = save('tail.img', fs.readFileSync(image()), noise(4 * mib));
    const packed = run('xz', ['-0', '-c', tail]);
    const damaged = save('damaged.xz', flipBit(packed, packed.length - mib));
    expect(await inspect(damaged)).toMatchObject({ sizeBytes: 68 * mib, sizeFrom: 'format' });
    expect(await refusal(damaged, { decode: 'always' })).toBe('image.damaged');
  });

  it('a GPT image and logical partitions in one pass', async () => {
    const logical = partitionByRecipe(path.join(folder, 'logical.img'), 'logical-partitions');
    const found = await inspect(save('logical.gz', run('gzip', ['-1', '-c', logical])));
    expect(found.table?.partitions.map(({ number }) => number)).toEqual([1, 2, 5, 6, 7]);
    const gpt = sparseFile(path.join(folder, 'gpt.img'), 64 * mib);
    run('sfdisk', ['-q', gpt], 'label: gpt\nsize=16M, type=U\nsize=+, type=L\n');
    for (const kind of ['zst', 'gz'] as const) {
      const facts = await inspect(save(`gpt.${kind}`, (pack[kind] as (f: string) => Buffer)(gpt)), {
        decode: 'always',
      });
      expect(facts.table).toMatchObject({ kind: 'gpt', sectorBytes: 512 });
      expect(codes(facts)).toEqual([]);
    }
    const cut = save('cut-gpt.img', fs.readFileSync(gpt).subarray(0, 40 * mib));
    expect(codes(await inspect(save('cut-gpt.gz', run('gzip', ['-1', '-c', cut]))))).toEqual([
      'image.backup-table-missing',
      'image.entry-longer-than-image',
      'image.incomplete',
      'image.hazards-not-looked-at',
    ]);
  });

  it('reads partitions in one pass that are not in the order of their numbers', async () => {
    const file = partitionByRecipe(path.join(folder, 'swapped.img'), 'out-of-order');
    overwrite(file, 4 * mib, fs.readFileSync(path.join(folder, 'boot')));
    const packed = save('swapped.xz', run('xz', ['-0', '-c', file]));
    const facts = await inspect(packed);
    expect(facts.volumes.map(({ partition, type }) => [partition, type])).toEqual([[2, 'fat32']]);
  });

  it('a cut image is incomplete, packed or not; the cut is said in bytes', async () => {
    const cut = save('cut.img', fs.readFileSync(image()).subarray(0, 40 * mib));
    const facts = await inspect(cut);
    expect(codes(facts)).toContain('image.incomplete');
    expect(facts.findings.find(({ code }) => code === 'image.incomplete')?.facts).toEqual({
      part: 'partition 2',
      endByte: 64 * mib,
      sizeBytes: 40 * mib,
    });
    expect(await codeOf(() => requireWritableImage(facts))).toBe('image.incomplete');
    for (const kind of ['gz', 'zst'] as const) {
      const packed = save(`cut.img.${kind}`, (pack[kind] as (f: string) => Buffer)(cut));
      expect(codes(await inspect(packed))).toContain('image.incomplete');
    }
  });

  it('a size that the container lies about is noticed', async () => {
    // Frame_Content_Size of a 64 MiB frame is its bytes 6 to 9 here (RFC 8878 section 3.1.1.1)
    const packed = run('zstd', ['-q', '-c', image()]);
    expect(packed.readUInt32LE(6)).toBe(64 * mib);
    packed.writeUInt32LE(65 * mib, 6);
    const code = await refusal(save('lies.zst', packed), { decode: 'always' });
    // zstd itself notices; where it did not, the count would
    expect(['image.damaged', 'image.size-differs']).toContain(code);
  });

  it('ends when asked to', async () => {
    const file = save('stop.gz', run('gzip', ['-1', '-c', image()]));
    const stopping = new AbortController();
    const code = refusal(file, {
      decode: 'always',
      signal: stopping.signal,
      onProgress: () => stopping.abort(),
    });
    expect(await code).toBe('image.decoding-stopped');
    expect(await refusal(file, { signal: stopping.signal })).toBe('image.decoding-stopped');
  });

  it('says why clone hazards were not looked at where the unpacked image cannot be kept', async () => {
    const file = save('room.gz', run('gzip', ['-1', '-c', image()]));
    const facts = await inspect(file, { decode: 'always', spoolFolder: path.join(folder, 'not-there') });
    expect(facts.findings).toMatchObject([{ code: 'image.hazards-not-looked-at', severity: 'note' }]);
    expect(facts.findings[0]?.facts.why).toMatch(/could not be kept in .*not-there \(ENOENT\)/);
  });

  it('a table that points backwards asks for the unpacked image, which is then read', async () => {
    // the second record of the chain lies before the first: only reading at places can follow that
    const file = partitionByRecipe(path.join(folder, 'backwards.img'), 'logical-partitions');
    const bytes = fs.readFileSync(file);
    const extended = 20480 * 512;
    const record = (start: number, link: number) => {
      const sector = Buffer.alloc(512);
      sector[446 + 4] = 0x83;
      sector.writeUInt32LE(start, 446 + 8);
      sector.writeUInt32LE(100, 446 + 12);
      sector[462 + 4] = link === 0 ? 0 : 0x05;
      sector.writeUInt32LE(link, 462 + 8);
      sector.writeUInt32LE(200, 462 + 12);
      sector.set([0x55, 0xaa], 510);
      return sector;
    };
    bytes.set(record(8, 60_000), extended);
    bytes.set(record(8, 20_000), extended + 60_000 * 512);
    bytes.set(record(8, 0), extended + 20_000 * 512);
    fs.writeFileSync(file, bytes);
    expect((await inspect(file)).table?.partitions.map(({ number }) => number)).toEqual([1, 2, 5, 6, 7]);
    expect(await refusal(save('backwards.gz', run('gzip', ['-1', '-c', file])))).toBe(
      'image.needs-unpacking',
    );
  });

  it('a volume that claims more than its partition has is noted', async () => {
    const file = partitionByRecipe(path.join(folder, 'long.img'), 'golden-mbr');
    const volume = sparseFile(path.join(folder, 'long.ext4'), 40 * mib);
    run('mkfs.ext4', ['-q', volume]);
    overwrite(file, 36 * mib, fs.readFileSync(volume).subarray(0, 28 * mib));
    expect((await inspect(file)).findings[0]).toMatchObject({
      code: 'image.volume-longer-than-partition',
      severity: 'note',
      facts: { partition: 2, volumeBytes: 40 * mib, sizeBytes: 28 * mib },
    });
  });

  it('leaves nothing in the spool folder', () => {
    expect(fs.readdirSync(folder).filter((name) => name.startsWith('cardwright-image-'))).toEqual([]);
  });
});

describeWith(['program:genisoimage', 'program:isohybrid', 'program:xz'], 'a hybrid image', () => {
  function hybrid(): string {
    const tree = fs.mkdtempSync(path.join(folder, 'iso-'));
    fs.mkdirSync(path.join(tree, 'isolinux'));
    fs.copyFileSync('/usr/lib/ISOLINUX/isolinux.bin', path.join(tree, 'isolinux/isolinux.bin'));
    fs.writeFileSync(path.join(tree, 'payload'), noise(2 * mib));
    const file = path.join(folder, 'hybrid.iso');
    const boot = ['-b', 'isolinux/isolinux.bin', '-no-emul-boot', '-boot-load-size', '4', '-boot-info-table'];
    run('genisoimage', ['-quiet', '-V', 'ORCHARD', ...boot, '-o', file, tree]);
    run('isohybrid', [file]);
    return file;
  }

  it('is writable and named, and a cut one is incomplete', async () => {
    const file = hybrid();
    // the reference: blkid sees both, too
    const seen = run('blkid', ['-p', '-o', 'export', file]).toString();
    expect(seen).toMatch(/^TYPE=iso9660$/m);
    expect(seen).toMatch(/^PTTYPE=dos$/m);
    const facts = await inspect(file);
    expect(facts).toMatchObject({
      shape: 'hybrid',
      table: { kind: 'mbr', partitions: [{ number: 1, startByte: 0, type: '17', bootable: true }] },
      volumes: [{ partition: 0, type: 'iso9660', label: 'ORCHARD' }],
      bootVolume: null,
    });
    expect(codes(facts)).toEqual(['image.partition-at-block-0', 'image.hybrid']);
    expect(() => requireWritableImage(facts)).not.toThrow();
    const cut = save('cut.iso', fs.readFileSync(file).subarray(0, 2 * mib));
    expect(codes(await inspect(cut))).toContain('image.incomplete');
    const packed = await inspect(save('hybrid.xz', run('xz', ['-0', '-c', file])));
    expect(packed.shape).toBe('hybrid');
  });
});

describeWith(['program:mkfs.vfat', 'program:mkfs.ext4'], 'images without a table', () => {
  it('bare volumes, and cut ones', async () => {
    const fat = sparseFile(path.join(folder, 'bare.fat'), 8 * mib);
    run('mkfs.vfat', ['-n', 'CIDATA', fat]);
    expect(await inspect(fat)).toMatchObject({
      shape: 'bare',
      table: null,
      bootVolume: { partition: 0, label: 'CIDATA', startByte: 0, sizeBytes: 8 * mib },
    });
    const ext = sparseFile(path.join(folder, 'bare.ext4'), 8 * mib);
    run('mkfs.ext4', ['-q', ext]);
    expect(await inspect(ext)).toMatchObject({
      shape: 'bare',
      bootVolume: null,
      volumes: [{ type: 'ext4' }],
    });
    const cut = save('bare-cut.fat', fs.readFileSync(fat).subarray(0, 4 * mib));
    expect(codes(await inspect(cut))).toContain('image.incomplete');
  });

  it('a FAT volume with an MBR that describes it is the boot volume as a whole', async () => {
    const fat = sparseFile(path.join(folder, 'described.fat'), 8 * mib);
    run('mkfs.vfat', ['--mbr=y', fat]);
    const facts = await inspect(fat);
    expect(facts).toMatchObject({
      shape: 'hybrid',
      bootVolume: { partition: 0 },
      volumes: [{ partition: 0 }],
    });
  });

  it('what an older volume left in front of a table does not count', async () => {
    const file = sparseFile(path.join(folder, 'leftover.img'), 64 * mib);
    run('mkfs.vfat', ['-F', '16', '-n', 'OLD', file]);
    run('sfdisk', ['-q', '--wipe', 'never', file], 'label: dos\nstart=8192, size=65536, type=83\n');
    const facts = await inspect(file);
    expect(facts).toMatchObject({ shape: 'partitioned', bootVolume: null, volumes: [] });
  });
});

describe('what is opaque', () => {
  it('may be written, with a loud note', async () => {
    const file = save('boot-loader.bin', noise(300_000), Buffer.alloc(212));
    const facts = await inspect(file);
    expect(facts).toMatchObject({
      shape: 'opaque',
      table: null,
      volumes: [],
      bootVolume: null,
      sizeBytes: 300_212,
    });
    expect(codes(facts)).toEqual(['image.opaque', 'image.partial-sector']);
    expect(() => requireWritableImage(facts)).not.toThrow();
    const bytes = noise(1024);
    bytes.set([0x55, 0xaa], 510);
    const signed = await inspect(save('signed.bin', bytes));
    expect(signed.findings[0]?.facts.bootSignature).toMatch(/boot signature/);
    expect((await inspect(save('one-byte.bin', Buffer.from([0xeb])))).sizeBytes).toBe(1);
  });

  it('a packed one is read on until something other than zeros comes', async () => {
    const late = save('late.img', Buffer.alloc(3 * mib), noise(512));
    const facts = await inspect(save('late.zst', run('zstd', ['-q', '-c', late])));
    expect(facts.shape).toBe('opaque');
  });
});

describe('what is refused by name', () => {
  it('folders, devices, pipes, missing and unreadable files; none of them is opened', async () => {
    expect(await refusal(folder)).toBe('image.not-a-regular-file');
    expect(await refusal('/dev/null')).toBe('image.not-a-regular-file');
    const pipe = path.join(folder, 'pipe');
    execFileSync('mkfifo', [pipe]);
    expect(await refusal(pipe)).toBe('image.not-a-regular-file');
    expect(await refusal(path.join(folder, 'nothing-there.img'))).toBe('image.unreadable');
    const link = path.join(folder, 'link-to-null');
    fs.symlinkSync('/dev/null', link);
    expect(await refusal(link)).toBe('image.not-a-regular-file');
  });

  it('an empty file, zeros throughout, and nothing inside', async () => {
    expect(await refusal(save('empty.img'))).toBe('image.empty');
    expect(await refusal(sparseFile(path.join(folder, 'zeros.img'), 5 * mib + 7))).toBe('image.not-an-image');
    for (const kind of ['gz', 'xz', 'zst', 'bz2']) {
      expect(
        await refusal(save(`empty.${kind}`, (pack[kind] as (f: string) => Buffer)(save('empty.img')))),
      ).toBe('image.empty');
      const zeros = save(
        `zeros.${kind}`,
        (pack[kind] as (f: string) => Buffer)(path.join(folder, 'zeros.img')),
      );
      expect(await refusal(zeros)).toBe('image.not-an-image');
    }
  });

  it('a web page under an image’s name, a tarball inside gz, an image packed twice', async () => {
    const page = save('page.img.xz', '<html><title>404</title></html>');
    await expect(inspect(page)).rejects.toThrow(/holds a web page/);
    const inside = save('inside.gz', run('gzip', ['-c'], run('tar', ['-c', '-C', folder, 'page.img.xz'])));
    await expect(inspect(inside)).rejects.toThrow(/a tarball \(inside the gz file\)/);
    const twice = save('twice.gz', run('gzip', ['-c'], run('xz', ['-c'], noise(5000))));
    expect(await refusal(twice)).toBe('image.nested-container');
    const page2 = save('page.gz', run('gzip', ['-c'], '<html>'));
    expect(await refusal(page2)).toBe('image.not-an-image');
  });

  it('a virtual disk whose format shows only at its end, also inside a container', async () => {
    const trailer = Buffer.alloc(512);
    trailer.write('conectix');
    const file = save('fixed.img', noise(mib), trailer);
    await expect(inspect(file)).rejects.toThrow(/VHD/);
    await expect(inspect(save('fixed.gz', run('gzip', ['-c', file])))).rejects.toThrow(/VHD/);
  });

  it('a file that grows while it is looked at', async () => {
    const file = save('growing.gz', run('gzip', ['-1', '-c'], noise(mib)));
    const code = refusal(file, { onProgress: () => fs.appendFileSync(file, 'x') });
    expect(['image.changed', 'image.trailing-garbage']).toContain(await code);
  });

  it('and the error says what to do', async () => {
    const error = await inspect(save('text.img', 'hello\n')).catch((caught) => caught as CardwrightError);
    expect(error).toBeInstanceOf(CardwrightError);
    expect((error as CardwrightError).exitStatus).toBe(4);
    expect((error as CardwrightError).next).toMatch(/image file/);
  });
});
