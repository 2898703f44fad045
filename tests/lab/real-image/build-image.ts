/**
 * Builds the real image from its recipe with mmdebstrap: root folder, boot volume, root volume, disk, xz.
 *
 * Needs root. mmdebstrap runs in mount and process namespaces of its own, so that killing it takes its mounts and
 * children with it; nothing is mounted in this machine's own. Takes a minute or three, most of it unpacking.
 */
import { mkdir, readdir, rename, rm, symlink, truncate, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { execa } from 'execa';
import type { Cleanup } from '../cleanup.ts';
import { partitionScript, type Recipe, rootBytesFor, rootStartOf } from './recipe.ts';
import { runProgram } from './run-program.ts';

export const packedName = 'node-os.img.xz';
export const manifestName = 'packages.txt';

const patient = { timeoutMs: 25 * 60_000 };
const spawnApart = ['--mount', '--pid', '--fork', '--kill-child', '--mount-proc'];

async function makeRoot(cleanup: Cleanup, work: string, made: Recipe): Promise<string> {
  const root = join(work, 'root');
  await runProgram(
    cleanup,
    work,
    'unshare',
    [
      ...spawnApart,
      'mmdebstrap',
      ...['--mode=root', '--variant=minbase', '--quiet', `--include=${made.packages.join(',')}`],
      ...['--aptopt=APT::Install-Recommends "false"', '--aptopt=Acquire::Languages "none"'],
      // The folder is thrown away if the power fails; waiting for the disk after each file would take most of the time.
      '--dpkgopt=force-unsafe-io',
      ...made.excluded.map((path) => `--dpkgopt=path-exclude=${path}`),
      `--customize-hook=chroot "$1" systemctl enable --quiet ${made.units.join(' ')}`,
      // This machine's own, which the node is to know nothing of.
      '--customize-hook=rm -f "$1/etc/resolv.conf"',
      ...[made.suite, root],
    ],
    patient,
  );
  for (const [path, text] of Object.entries(made.rootFiles)) await writeFile(join(root, path), text);
  await symlink('../run/systemd/resolve/stub-resolv.conf', join(root, 'etc/resolv.conf'));
  return root;
}

/** The one file of /boot whose name begins so; the version follows. */
async function findInBoot(root: string, begin: string): Promise<string> {
  const name = (await readdir(join(root, 'boot'))).find((file) => file.startsWith(begin));
  if (name === undefined) throw new Error(`lab: the image's packages brought no /boot/${begin}*`);
  return join(root, 'boot', name);
}

async function makeBootVolume(work: string, root: string, made: Recipe): Promise<string> {
  const volume = join(work, 'boot-volume');
  const files = join(work, 'boot-files');
  await mkdir(files);
  for (const [name, text] of Object.entries(made.bootFiles)) await writeFile(join(files, name), text);
  await writeFile(volume, '', { flag: 'wx', mode: 0o600 });
  await truncate(volume, made.bootBytes);
  await execa('mkfs.vfat', ['-F', '32', '-s', '1', '-n', made.bootLabel, volume]);
  await execa('mcopy', ['-i', volume, await findInBoot(root, 'vmlinuz-'), '::vmlinuz']);
  await execa('mcopy', ['-i', volume, await findInBoot(root, 'initrd.img-'), '::initrd.img']);
  await execa('mcopy', ['-i', volume, ...Object.keys(made.bootFiles).map((name) => join(files, name)), '::']);
  return volume;
}

async function makeDisk(cleanup: Cleanup, work: string, made: Recipe): Promise<string> {
  const root = await makeRoot(cleanup, work, made);
  const { stdout } = await execa('dpkg-query', [`--admindir=${join(root, 'var/lib/dpkg')}`, '--show']);
  await writeFile(join(work, manifestName), `${stdout}\n`);
  const bootVolume = await makeBootVolume(work, root, made);
  // On the volume now; a node's own kernel is read from there.
  await rm(join(root, 'boot'), { recursive: true });
  await mkdir(join(root, 'boot'));
  const used = Number((await execa('du', ['-s', '--block-size=1', root])).stdout.split('\t')[0]);
  const rootBytes = rootBytesFor(made, used);
  const disk = join(work, 'node-os.img');
  await writeFile(disk, '', { flag: 'wx', mode: 0o600 });
  await truncate(disk, rootStartOf(made) + rootBytes);
  await execa('sfdisk', ['--quiet', disk], { input: partitionScript(made) });
  const size = `${rootBytes / 1024}k`;
  const place = `offset=${rootStartOf(made)}`;
  const ext4 = ['-q', '-t', 'ext4', '-L', 'node-root', '-d', root, '-E', place, disk, size];
  await runProgram(cleanup, work, 'mke2fs', ext4, patient);
  const copy = [`if=${bootVolume}`, `of=${disk}`, 'bs=1M', `seek=${made.bootStartBytes / 2 ** 20}`];
  await execa('dd', [...copy, 'conv=notrunc,sparse', 'status=none']);
  await rm(root, { recursive: true });
  return disk;
}

/** Builds into `work`, an empty folder; leaves there `kept`, with the packed image and the list of its packages. */
export async function buildImage(cleanup: Cleanup, work: string, made: Recipe): Promise<string> {
  const disk = await makeDisk(cleanup, work, made);
  // The lowest level: the image is unpacked often and kept here only.
  await runProgram(cleanup, work, 'xz', ['-0', '--threads=2', disk], patient);
  const kept = join(work, 'kept');
  await mkdir(kept);
  await rename(`${disk}.xz`, join(kept, packedName));
  await rename(join(work, manifestName), join(kept, manifestName));
  return kept;
}
