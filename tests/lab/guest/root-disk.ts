/**
 * A disk image whose first partition can hold the guest's `/`: withGuest({ rootNode: '/dev/mmcblk0p1', … }) mounts
 * it as the root and binds this machine's folders (/usr, /etc, …) into it. So `/` really stands on that disk.
 */
import { open } from 'node:fs/promises';
import { execa } from 'execa';

const startBytes = 1 << 20;

/** Makes `file`: an MBR with one Linux partition from 1 MiB to the end, holding an empty ext4. */
export async function makeRootDisk(file: string, sizeBytes = 64 << 20): Promise<void> {
  const handle = await open(file, 'wx', 0o600);
  await handle.truncate(sizeBytes);
  await handle.close();
  await execa('sfdisk', ['--quiet', file], { input: `label: dos\nstart=${startBytes / 512}, type=83\n` });
  const size = `${(sizeBytes - startBytes) / 1024}k`;
  await execa('mke2fs', ['-q', '-t', 'ext4', '-L', 'station', '-E', `offset=${startBytes}`, file, size]);
}
