/**
 * The guest's kernel and initramfs: Debian's own kernel package, fetched once with apt-get into the lab's cache and
 * unpacked there, never installed. Whichever kernel `linux-image-amd64` names is taken, so that an update of the
 * archive does not break the lab; what is cached is used without asking the network.
 */
import { createHash } from 'node:crypto';
import { existsSync } from 'node:fs';
import { copyFile, mkdir, readdir, readFile, rename, rm, writeFile } from 'node:fs/promises';
import { basename, dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { execa } from 'execa';
import { type Cleanup, makeWorkFolder, withCleanup } from '../cleanup.ts';
import { labRoot } from '../ledger.ts';

const metaPackage = 'linux-image-amd64';
const here = dirname(fileURLToPath(import.meta.url));
const cacheFolder = () => process.env.CARDWRIGHT_LAB_CACHE ?? join(labRoot, 'cache');

// Before there is a root, and, marked so, only where the root is on a disk.
const earlyModules = ['virtio_pci', '9pnet_virtio', '9p', 'overlay'];
const rootModules = 'sdhci_pci mmc_block xhci_pci usb_storage ahci sd_mod nvme virtio_blk ext4'.split(' ');

export interface GuestKernel {
  /** "6.1.0-56-amd64" */
  version: string;
  imagePath: string;
  /** the folder that belongs at /lib/modules/VERSION */
  modulesFolder: string;
  initramfsPath: string;
}

/** Moves a folder or file that was made aside into the cache; another process may have been faster. */
async function keep(made: string, path: string): Promise<void> {
  try {
    await rename(made, path);
  } catch (error) {
    if (!['ENOTEMPTY', 'EEXIST'].includes((error as NodeJS.ErrnoException).code ?? '')) throw error;
    await rm(made, { recursive: true, force: true });
  }
}

/** The folder of an unpacked kernel package; the newest in the cache, else fetched. */
async function unpackedKernel(cleanup: Cleanup): Promise<{ folder: string; version: string }> {
  const cache = cacheFolder();
  await mkdir(cache, { recursive: true, mode: 0o700 });
  const cached = (await readdir(cache)).filter((name) => name.startsWith('linux-image-')).sort();
  const newest = cached.at(-1);
  if (newest !== undefined)
    return { folder: join(cache, newest), version: newest.replace('linux-image-', '') };

  const { stdout } = await execa('apt-cache', ['depends', metaPackage]);
  const name = /Depends: (linux-image-\S+)/.exec(stdout)?.[1];
  if (name === undefined) throw new Error(`lab: apt knows no ${metaPackage}; run "apt-get update" once`);
  const version = name.replace('linux-image-', '');
  const work = await makeWorkFolder(cleanup, cache);
  await execa('apt-get', ['download', '-q', name], { cwd: work });
  const deb = (await readdir(work)).find((file) => file.endsWith('.deb'));
  if (deb === undefined) throw new Error(`lab: apt-get download left no file of ${name}`);
  await execa('dpkg-deb', ['--extract', deb, 'root'], { cwd: work });
  await execa('depmod', ['-b', join(work, 'root'), version]);
  await keep(join(work, 'root'), join(cache, name));
  return { folder: join(cache, name), version };
}

/** Module files in loading order, with those they need before them. */
async function moduleFiles(root: string, version: string, names: readonly string[]): Promise<string[]> {
  const files: string[] = [];
  for (const name of names) {
    const args = ['-d', root, '-S', version, '--show-depends', name];
    const { stdout } = await execa('modprobe', args);
    for (const line of stdout.split('\n')) {
      const path = /^insmod (\S+)/.exec(line)?.[1];
      if (path !== undefined && !files.includes(path)) files.push(path);
    }
  }
  return files;
}

async function buildInitramfs(cleanup: Cleanup, root: string, version: string): Promise<string> {
  const init = await readFile(join(here, 'init.sh'));
  const recipe = JSON.stringify([version, earlyModules, rootModules, init.toString()]);
  const path = join(
    cacheFolder(),
    `initramfs-${createHash('sha256').update(recipe).digest('hex').slice(0, 16)}`,
  );
  if (existsSync(path)) return path;

  const work = await makeWorkFolder(cleanup, cacheFolder());
  const tree = join(work, 'tree');
  for (const folder of ['bin', 'modules', 'proc', 'sys', 'dev', 'memory', 'host', 'new']) {
    await mkdir(join(tree, folder), { recursive: true });
  }
  await copyFile('/bin/busybox', join(tree, 'bin/busybox'));
  await writeFile(join(tree, 'init'), init, { mode: 0o755 });
  const early = await moduleFiles(root, version, earlyModules);
  const forRoot = (await moduleFiles(root, version, rootModules)).filter((file) => !early.includes(file));
  for (const file of [...early, ...forRoot]) await copyFile(file, join(tree, 'modules', basename(file)));
  const order = [...early.map((file) => basename(file)), ...forRoot.map((file) => `${basename(file)} root`)];
  await writeFile(join(tree, 'modules/order'), `${order.join('\n')}\n`);
  const names = (await readdir(tree, { recursive: true })).sort().join('\n');
  const { stdout } = await execa('cpio', ['--create', '--format=newc', '--quiet'], {
    cwd: tree,
    input: names,
    encoding: 'buffer',
  });
  const made = join(work, 'initramfs');
  await writeFile(made, stdout);
  await keep(made, path);
  return path;
}

/** Gives the kernel and its initramfs, from the cache where they are there. Fetching takes a minute. */
export function prepareKernel(): Promise<GuestKernel> {
  return withCleanup(async (cleanup) => {
    const { folder, version } = await unpackedKernel(cleanup);
    return {
      version,
      imagePath: join(folder, 'boot', `vmlinuz-${version}`),
      modulesFolder: join(folder, 'lib/modules', version),
      initramfsPath: await buildInitramfs(cleanup, folder, version),
    };
  });
}
