import { execFileSync, spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { claimDisk } from '../../src/media/claim.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';

const mib = 2 ** 20;
const withDisk = (body: (disk: LoopDisk) => Promise<void>) =>
  withLoopDisk({ sizeBytes: 16 * mib, backing: 'tmpfs' }, body);

async function withMount(disk: LoopDisk, body: (mount: string) => Promise<void>): Promise<void> {
  const mount = fs.mkdtempSync(join(tmpdir(), 'cardwright-mount-'));
  execFileSync('mkfs.ext2', ['-q', disk.node]);
  execFileSync('mount', [disk.node, mount]);
  try {
    await body(mount);
  } finally {
    // Gone already where the body unmounted it.
    if (fs.readFileSync('/proc/self/mountinfo', 'utf8').includes(mount)) execFileSync('umount', [mount]);
    fs.rmdirSync(mount);
  }
}

const busy = { code: 'media.busy', card: 'untouched' };

// Linux open(2) with O_EXCL on a block device: EBUSY while the system uses it (man-pages, open(2), "O_EXCL").
describeWith(
  ['loop', 'tmpfs-direct-io', 'program:mkfs.ext2', 'program:flock'],
  'the claim on a real disk',
  { timeoutMs: 30_000 },
  () => {
    it('keeps everybody else out, and lets them in again afterwards', () =>
      withDisk(async (disk) => {
        const claim = await claimDisk(disk.node, disk.majorMinor, 'write');
        await expect(claimDisk(disk.node, disk.majorMinor, 'write', 300)).rejects.toMatchObject(busy);
        const lock = () => execFileSync('flock', ['-x', '-n', disk.node, 'true'], { stdio: 'ignore' });
        expect(lock).toThrow();
        claim.release();
        expect(lock).not.toThrow();
        (await claimDisk(disk.node, disk.majorMinor, 'write')).release();
      }));

    it('is refused for a mounted disk', () =>
      withDisk((disk) =>
        withMount(disk, async () => {
          await expect(claimDisk(disk.node, disk.majorMinor, 'write', 300)).rejects.toMatchObject(busy);
        }),
      ));

    it('is refused for a disk that was unmounted lazily and still has an open file', () =>
      withDisk((disk) =>
        withMount(disk, async (mount) => {
          const fd = fs.openSync(join(mount, 'open'), 'w');
          execFileSync('umount', ['--lazy', mount]);
          try {
            await expect(claimDisk(disk.node, disk.majorMinor, 'write', 300)).rejects.toMatchObject(busy);
          } finally {
            fs.closeSync(fd);
          }
          (await claimDisk(disk.node, disk.majorMinor, 'write')).release();
        }),
      ));

    it('is refused for a disk that another mount namespace alone has mounted', () =>
      withDisk(async (disk) => {
        const mount = fs.mkdtempSync(join(tmpdir(), 'cardwright-ns-'));
        execFileSync('mkfs.ext2', ['-q', disk.node]);
        const child = spawn(
          'unshare',
          ['-m', 'sh', '-c', `mount ${disk.node} ${mount} && echo mounted && exec sleep 30`],
          {
            stdio: ['ignore', 'pipe', 'ignore'],
          },
        );
        await new Promise((resolve) => child.stdout.once('data', resolve));
        try {
          expect(fs.readFileSync('/proc/self/mountinfo', 'utf8')).not.toContain(mount);
          await expect(claimDisk(disk.node, disk.majorMinor, 'write', 300)).rejects.toMatchObject(busy);
        } finally {
          child.kill('SIGKILL');
          await new Promise((resolve) => child.once('close', resolve));
          fs.rmdirSync(mount);
        }
      }));

    it('is refused for a swap', () =>
      withDisk(async (disk) => {
        execFileSync('mkswap', [disk.node], { stdio: 'ignore' });
        execFileSync('swapon', [disk.node]);
        try {
          await expect(claimDisk(disk.node, disk.majorMinor, 'write', 300)).rejects.toMatchObject(busy);
        } finally {
          execFileSync('swapoff', [disk.node]);
        }
      }));

    it('is not taken on a node that is not the disk that was seen', () =>
      withDisk(async (disk) => {
        await expect(claimDisk(disk.node, '8:0', 'write')).rejects.toMatchObject({
          code: 'media.changed',
          card: 'untouched',
          facts: { expected: '8:0', found: disk.majorMinor },
        });
        // Nothing stayed open.
        (await claimDisk(disk.node, disk.majorMinor, 'write')).release();
      }));

    it('does not follow a symbolic link', () =>
      withDisk(async (disk) => {
        const folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-link-'));
        const link = join(folder, 'card');
        fs.symlinkSync(disk.node, link);
        await expect(claimDisk(link, disk.majorMinor, 'write')).rejects.toMatchObject({
          code: 'media.open-failed',
        });
        fs.rmSync(folder, { recursive: true });
      }));

    it('waits for somebody who only looks for a moment', () =>
      withDisk(async (disk) => {
        const passer = fs.openSync(disk.node, fs.constants.O_RDONLY | fs.constants.O_EXCL);
        setTimeout(() => fs.closeSync(passer), 500);
        (await claimDisk(disk.node, disk.majorMinor, 'write')).release();
      }));

    it('says that a disk is gone which is not there', async () => {
      await expect(claimDisk('/dev/no-such-disk', '8:0', 'write')).rejects.toMatchObject({
        code: 'media.gone',
      });
    });
  },
);
