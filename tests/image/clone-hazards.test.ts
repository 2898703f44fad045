import fs from 'node:fs';
import path from 'node:path';
import { describe, expect, it } from 'vitest';
import type { ByteSource } from '../../src/contract/blocks.ts';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { ImageVolume } from '../../src/contract/image.ts';
import { findCloneHazards } from '../../src/image/clone-hazards.ts';
import { ReadOnlyExtDisk } from '../../src/image/ext-disk.ts';
import { withExtVolume } from '../../src/image/ext-volume.ts';
import { inspectImage } from '../../src/image/inspect-image.ts';
import { describeWith } from '../lab/capabilities.ts';
import {
  fileSource,
  memorySource,
  noise,
  overwrite,
  run,
  sha256,
  sparseFile,
  workFolder,
} from './recipes.ts';
import { makeRootVolume, type Tree } from './root-volume.ts';

const folder = workFolder();
const mib = 2 ** 20;

const rootVolume = (name: string, tree: Tree, ...made: string[]) =>
  makeRootVolume(folder, name, tree, ...made);

const whole = (source: ByteSource, type = 'ext4'): ImageVolume => ({
  partition: 2,
  startByte: 0,
  sizeBytes: source.sizeBytes,
  type,
  label: null,
});
const look = (source: ByteSource, type = 'ext4') =>
  findCloneHazards(source, { volumes: [whole(source, type)] });
const seen = async (file: string) =>
  (await look(fileSource(file))).map(({ code, facts }) => [
    code,
    facts.file ?? facts.names ?? facts.evidence ?? facts.why,
  ]);

const tools = ['program:mkfs.ext4', 'program:mkfs.ext2', 'program:debugfs'] as const;

describeWith(tools, 'what would make nodes from one image collide', () => {
  it('nothing in an image that was never booted', async () => {
    const file = rootVolume('fresh.img', {
      'etc/machine-id': 'uninitialized\n',
      'etc/ssh/sshd_config': 'UsePAM yes\n',
      'etc/ssh/ssh_host_rsa_key.pub': 'left over\n',
      'var/lib/cloud/seed/readme': 'x',
    });
    expect(await seen(file)).toEqual([]);
    expect(await seen(rootVolume('missing.img', {}))).toEqual([]);
  });

  it('everything in one that was', async () => {
    const file = rootVolume('booted.img', {
      'etc/machine-id': '0123456789abcdef0123456789abcdef\n',
      'var/lib/dbus/machine-id': '0123456789abcdef0123456789abcdef\n',
      'etc/ssh/ssh_host_rsa_key': 'key',
      'etc/ssh/ssh_host_ed25519_key': 'key',
      'var/lib/cloud/instance': { link: '/var/lib/cloud/instances/i-1' },
    });
    // the reference: debugfs sees the same file
    expect(run('debugfs', ['-R', 'cat /etc/machine-id', file]).toString()).toMatch(/^0123456789abcdef/);
    expect(await seen(file)).toEqual([
      ['image.machine-id-set', '/etc/machine-id'],
      ['image.machine-id-set', '/var/lib/dbus/machine-id'],
      ['image.host-keys-inside', 'ssh_host_ed25519_key, ssh_host_rsa_key'],
      ['image.first-boot-done', '/var/lib/cloud/instance'],
    ]);
  });

  it('an empty machine-id is no identity, and no first boot either (machine-id(5))', async () => {
    const file = rootVolume('empty-id.img', {
      'etc/machine-id': '',
      'var/lib/dbus/machine-id': { link: '/etc/machine-id' },
    });
    expect(await seen(file)).toEqual([['image.first-boot-skipped', '/etc/machine-id']]);
  });

  it.each([
    ['ext2', ['mkfs.ext2']],
    ['ext3', ['mkfs.ext3']],
    ['ext4 of 4096-byte blocks', ['mkfs.ext4', '-b', '4096']],
    ['ext4 without 64bit and checksums', ['mkfs.ext4', '-O', '^64bit,^metadata_csum']],
    ['ext4 with data in inodes', ['mkfs.ext4', '-O', 'inline_data', '-I', '256']],
  ])('in %s', async (name, [program = '', ...args]) => {
    const id = { 'etc/machine-id': '0123456789abcdef0123456789abcdef\n' };
    expect(await seen(rootVolume(`${name}.img`, id, program, ...args))).toEqual([
      ['image.machine-id-set', '/etc/machine-id'],
    ]);
  });

  it('nothing is written, not even a time of access', async () => {
    const file = rootVolume('untouched.img', { 'etc/machine-id': 'x'.repeat(32) });
    const before = sha256(fs.readFileSync(file));
    fs.chmodSync(file, 0o444);
    await inspectImage(file, { decode: 'when-needed' });
    expect(sha256(fs.readFileSync(file))).toBe(before);
  });

  it('a volume that cannot be read is said, never taken for a clean one', async () => {
    const file = rootVolume('broken.img', { 'etc/machine-id': 'x'.repeat(32) });
    const bytes = fs.readFileSync(file);
    const failing: ByteSource = {
      sizeBytes: bytes.length,
      read(offset, length) {
        if (offset >= 20_000)
          throw new CardwrightError('image.unreadable', { facts: { path: file, why: 'EIO' } });
        return bytes.subarray(offset, offset + length);
      },
    };
    const [finding] = await look(failing);
    expect(finding).toMatchObject({ code: 'image.hazards-not-looked-at' });
    expect(finding?.facts.why).toMatch(/partition 2 cannot be read: .*EIO/);
    const cut = await look(memorySource(bytes.subarray(0, 40_000)));
    expect(cut).toMatchObject([{ code: 'image.hazards-not-looked-at' }]);
    overwrite(file, 1024, noise(1024));
    expect(await look(fileSource(file))).toMatchObject([{ code: 'image.hazards-not-looked-at' }]);
  });

  it('damage anywhere ends in findings, not in a hang or a crash', async () => {
    const bytes = fs.readFileSync(
      rootVolume('fuzz.img', { 'etc/machine-id': 'x'.repeat(32), 'etc/ssh/x': '' }),
    );
    for (let seed = 1; seed <= 25; seed++) {
      const copy = Buffer.from(bytes);
      const places = noise(64, seed);
      for (let i = 0; i < 64; i += 4) {
        const at = (places.readUInt32LE(i) % 300_000) + 1024;
        copy.writeUInt8((copy[at] ?? 0) ^ (1 << (seed % 8)), at);
      }
      for (const { code } of await look(memorySource(copy))) expect(code).toMatch(/^image\./);
    }
    // afterwards the library still works
    expect(await look(memorySource(bytes))).toMatchObject([{ code: 'image.machine-id-set' }]);
  });

  it('a data volume is no root volume; a root volume of another kind is said', async () => {
    const tree = fs.mkdtempSync(path.join(folder, 'data-'));
    fs.writeFileSync(path.join(tree, 'photo'), 'x');
    const file = sparseFile(path.join(folder, 'data.img'), 16 * mib);
    run('mkfs.ext4', ['-q', '-d', tree, file]);
    expect(await seen(file)).toEqual([]);
    const [finding] = await look(memorySource(Buffer.alloc(mib)), 'btrfs');
    expect(finding?.facts.why).toMatch(/btrfs/);
  });

  it('the library leaves no handlers in this process', async () => {
    const count = () =>
      (['uncaughtException', 'unhandledRejection'] as const).map((event) => process.listenerCount(event));
    const before = count();
    await look(fileSource(rootVolume('handlers.img', {})));
    expect(count()).toEqual(before);
  });
});

describe('the disk that the library sees', () => {
  const bytes = noise(8192);
  const disk = () => new ReadOnlyExtDisk(memorySource(bytes), 1024, 4096);
  const read = async (from: ReadOnlyExtDisk, offset: number, length: number) => {
    const into = Buffer.alloc(length);
    await from.read(into, 0, length, offset);
    return into;
  };

  it('begins where the volume does and ends where it does', async () => {
    expect(Buffer.compare(await read(disk(), 0, 4096), bytes.subarray(1024, 5120))).toBe(0);
    const outside = disk();
    await expect(read(outside, 4000, 200)).rejects.toThrow();
    expect(outside.failure).toBe('it points outside itself');
    await expect(read(disk(), -512, 512)).rejects.toThrow();
  });

  it('shows what was written to it, and only in memory', async () => {
    const written = disk();
    const before = sha256(bytes);
    await written.write(Buffer.from('orchard'), 0, 7, 1000);
    expect((await read(written, 1000, 7)).toString()).toBe('orchard');
    const around = await read(written, 998, 5);
    expect(around.subarray(2).toString()).toBe('orc');
    expect(around[0]).toBe(bytes[1024 + 998]);
    expect(sha256(bytes)).toBe(before);
    await expect(written.write(Buffer.alloc(2 ** 21), 0, 2 ** 21, 0)).rejects.toThrow();
  });

  it('does not go in circles for ever', async () => {
    const circling = disk();
    await expect(
      (async () => {
        for (;;) await read(circling, 0, 512);
      })(),
    ).rejects.toThrow('circles');
  });

  it('an error of the one who looks comes out as it is', async () => {
    const file = rootVolume('own-error.img', {});
    const source = fileSource(file);
    const looking = withExtVolume(source, whole(source), async () => {
      throw new RangeError('mine');
    });
    await expect(looking).rejects.toThrow(new RangeError('mine'));
  });
});
