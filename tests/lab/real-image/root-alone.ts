/**
 * The real image without its boot volume: one ext4 volume with cloud-init inside, in a GPT, behind room for a boot
 * loader that has the kernel from elsewhere. Made from the image that is there already. It can grow its root volume.
 */
import { truncateSync, writeFileSync } from 'node:fs';
import { mkdir, stat } from 'node:fs/promises';
import { join } from 'node:path';
import { execa } from 'execa';
import type { Cleanup } from '../cleanup.ts';
import { changeImage } from './change-image.ts';
import { copyBootFiles } from './power-on.ts';
import type { RealImage } from './prepared-image.ts';
import { rootStartOf } from './recipe.ts';

export interface RootAlone {
  /** a raw image */
  path: string;
  /** of its only partition */
  rootStartBytes: number;
  /** kernel, initramfs and kernel line */
  bootFolder: string;
}

const partitionGuid = '0C0FFEE0-0000-4000-8000-000000000001';
/** Room for the GPT's second copy. */
const endBytes = 2 ** 20;

export async function takeRootAlone(cleanup: Cleanup, parent: string, image: RealImage): Promise<RootAlone> {
  const { recipe } = image;
  const root = `PARTUUID=${partitionGuid.toLowerCase()}`;
  const path = await changeImage(cleanup, parent, image, {
    removed: ['/etc/fstab'],
    // A script; sfdisk, which it works with, is in the image.
    copies: { '/usr/bin/growpart': '/usr/bin/growpart' },
    files: { '/etc/fstab': `${root} / ext4 defaults,noatime 0 1\n` },
    links: {},
  });
  const bootFolder = join(parent, 'boot');
  await mkdir(bootFolder);
  await copyBootFiles(path, recipe.bootStartBytes, bootFolder);
  writeFileSync(join(bootFolder, 'cmdline.txt'), `console=ttyS0 root=${root} rootwait ro\n`);
  const place = ['--offset', String(recipe.bootStartBytes), '--length', String(recipe.bootBytes)];
  await execa('fallocate', ['--punch-hole', ...place, path]);
  const rootStartBytes = rootStartOf(recipe);
  const { size } = await stat(path);
  truncateSync(path, size + endBytes);
  const rootSectors = (size - rootStartBytes) / 512;
  const table = `label: gpt\nstart=${rootStartBytes / 512}, size=${rootSectors}, uuid=${partitionGuid}\n`;
  await execa('sfdisk', ['--quiet', '--wipe', 'always', path], { input: table });
  return { path, rootStartBytes, bootFolder };
}
