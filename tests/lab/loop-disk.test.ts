/** The loop disk against losetup, dd and sysfs; nothing of src/ takes part. */
import { createHash } from 'node:crypto';
import { constants, existsSync } from 'node:fs';
import { type FileHandle, open, readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { execa } from 'execa';
import { expect, it } from 'vitest';
import { describeWith, whyMissing } from './capabilities.ts';
import { makeWorkFolder, withCleanup } from './cleanup.ts';
import { pageAlignedBuffer, readDirect, writeDirect } from './direct-io.ts';
import { attachLoop } from './loop-attach.ts';
import { type LoopDisk, type LoopDiskOptions, withLoopDisk } from './loop-disk.ts';
import { oldContent } from './medium.ts';

const sizeBytes = 8 << 20;
const sysfs = (disk: LoopDisk, attribute: string) =>
  readFile(`/sys/block/${disk.name}/${attribute}`, 'utf8').then((text) => text.trim());
const sha256 = (bytes: Uint8Array) => createHash('sha256').update(bytes).digest('hex');

const backings: LoopDiskOptions['backing'][] =
  whyMissing('tmpfs-direct-io') === null ? ['tmpfs', 'file'] : ['file'];

describeWith(['loop'], 'a loop disk', () => {
  it.each(backings)('over %s has direct I/O on and shows what reached the medium', async (backing) => {
    const node = await withLoopDisk({ sizeBytes, backing }, async (disk) => {
      expect(await sysfs(disk, 'loop/dio')).toBe('1');
      expect(await sysfs(disk, 'loop/backing_file')).toBe(disk.backingPath);
      expect(await sysfs(disk, 'dev')).toBe(disk.majorMinor);
      expect(Number(await sysfs(disk, 'size')) * 512).toBe(sizeBytes);
      expect(await disk.readMedium(4096, 512)).toEqual(oldContent(4096, 512));

      // dd is the reference here: it writes with O_DIRECT through the device, we look at the backing file.
      await execa('dd', [
        'if=/dev/zero',
        `of=${disk.node}`,
        'bs=1M',
        'count=1',
        'seek=2',
        'oflag=direct',
        'conv=notrunc',
      ]);
      expect((await disk.readMedium(2 << 20, 1 << 20)).equals(Buffer.alloc(1 << 20))).toBe(true);
      expect(await disk.readMedium(3 << 20, 512)).toEqual(oldContent(3 << 20, 512));
      const { stdout } = await execa('sha256sum', [disk.backingPath]);
      expect(await disk.sha256OfMedium()).toBe(stdout.split(' ')[0]);
      return disk.node;
    });
    expect((await execa('losetup', ['--all'])).stdout).not.toContain(`${node}:`);
  });

  it('keeps a buffered write off the medium until it is flushed', async () => {
    await withLoopDisk({ sizeBytes, backing: backings[0] ?? 'file', content: 'zeros' }, async (disk) => {
      const handle = await open(disk.node, 'r+');
      try {
        await handle.write(oldContent(0, 4096), 0, 4096, 0);
        const before = await disk.readMedium(0, 4096);
        await handle.sync();
        expect(before.equals(Buffer.alloc(4096))).toBe(true);
        expect(await disk.readMedium(0, 4096)).toEqual(oldContent(0, 4096));
      } finally {
        await handle.close();
      }
    });
  });

  it('has 4096-byte sectors when asked, where a 512-byte direct read is refused', async () => {
    await withLoopDisk({ sizeBytes, backing: backings[0] ?? 'file', sectorBytes: 4096 }, async (disk) => {
      expect(await sysfs(disk, 'queue/logical_block_size')).toBe('4096');
      await expect(readDirect(disk.node, 0, 512)).rejects.toMatchObject({ code: 'EINVAL' });
      expect(await readDirect(disk.node, 4096, 4096)).toEqual(oldContent(4096, 4096));
    });
  });

  it('takes direct I/O from aligned memory only', async () => {
    await withLoopDisk({ sizeBytes, backing: 'file' }, async (disk) => {
      const handle = await open(disk.node, constants.O_RDONLY | constants.O_DIRECT);
      try {
        const aligned = pageAlignedBuffer(4096);
        expect((await handle.read(aligned, 0, 4096, 0)).bytesRead).toBe(4096);
        // One byte further on, in the same memory: open(2), "O_DIRECT", asks for alignment of the address.
        const unaligned = pageAlignedBuffer(8192).subarray(1, 4097);
        await expect(handle.read(unaligned, 0, 4096, 0)).rejects.toMatchObject({ code: 'EINVAL' });
      } finally {
        await handle.close();
      }
    });
  });

  it('refuses to be written when read-only', async () => {
    await withLoopDisk({ sizeBytes, backing: 'file', readOnly: true }, async (disk) => {
      expect(await sysfs(disk, 'ro')).toBe('1');
      await expect(writeDirect(disk.node, 0, oldContent(0, 512))).rejects.toMatchObject({ code: 'EPERM' });
    });
  });

  it('takes another card in the same node, with a new diskseq', async () => {
    await withLoopDisk({ sizeBytes, backing: 'file' }, async (disk) => {
      const before = { seq: Number(await sysfs(disk, 'diskseq')), path: disk.backingPath };
      await writeDirect(disk.node, 0, Buffer.alloc(4096, 1));
      await disk.changeCard({ sizeBytes: 4 << 20 });
      expect(Number(await sysfs(disk, 'diskseq'))).toBeGreaterThan(before.seq);
      expect(disk.backingPath).not.toBe(before.path);
      expect(disk.sizeBytes).toBe(4 << 20);
      expect(await readDirect(disk.node, 0, 4096)).toEqual(oldContent(0, 4096));
    });
  });

  it('names who still holds the device when it cannot be taken away, and frees it later', async () => {
    let handle: FileHandle | null = null;
    const attempt = withLoopDisk({ sizeBytes, backing: 'file' }, async (disk) => {
      handle = await open(disk.node, 'r');
      return disk.name;
    });
    await expect(attempt).rejects.toThrow(new RegExp(`held by .*pid ${process.pid} `));
    await (handle as FileHandle | null)?.close();
  });

  it('keeps the error of the body and takes everything back all the same', async () => {
    let path = '';
    const attempt = withLoopDisk({ sizeBytes, backing: 'file' }, async (disk) => {
      path = disk.backingPath;
      throw new Error('the body failed');
    });
    await expect(attempt).rejects.toThrow('the body failed');
    expect(existsSync(path)).toBe(false);
    expect((await execa('losetup', ['--all'])).stdout).not.toContain(path);
  });

  it('fills a medium from a file, then with old content', async () => {
    await withLoopDisk({ sizeBytes: 1 << 20, backing: 'file', content: 'zeros' }, async (first) => {
      const content = { file: first.backingPath };
      await withLoopDisk({ sizeBytes, backing: 'file', content }, async (disk) => {
        expect((await disk.readMedium(0, 1 << 20)).equals(Buffer.alloc(1 << 20))).toBe(true);
        expect(await disk.sha256OfMedium(1 << 20)).toBe(sha256(oldContent(1 << 20, 7 << 20)));
      });
    });
  });

  it('refuses a file without direct I/O and leaves nothing attached', async () => {
    // A file system on 4096-byte sectors cannot serve a 512-byte-sector loop directly (linux: drivers/block/loop.c).
    const options = { sizeBytes, backing: 'file', sectorBytes: 4096, content: 'zeros' } as const;
    await withLoopDisk(options, async (outer) => {
      await execa('mke2fs', ['-q', '-b', '4096', outer.node]);
      await withCleanup(async (cleanup) => {
        const folder = await makeWorkFolder(cleanup);
        cleanup.add({ kind: 'mount', path: folder }, () => execa('umount', [folder]));
        await execa('mount', ['-t', 'ext2', outer.node, folder]);
        const file = join(folder, 'card');
        await writeFile(file, Buffer.alloc(1 << 20));
        await expect(attachLoop(file, { sectorBytes: 512 })).rejects.toThrow('no direct I/O');
        expect((await execa('losetup', ['--all'])).stdout).not.toContain(file);
      });
    });
  });
});
