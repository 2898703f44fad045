/**
 * A disk image whose first partition can hold the guest's `/`: withGuest({ rootNode: '/dev/mmcblk0p1', … }) mounts
 * it as the root and binds this machine's folders (/usr, /etc, …) into it. So `/` really stands on that disk. Two more
 * partitions are for whoever wants to have /boot and the like there, too.
 */
import { open } from 'node:fs/promises';
import { execa } from 'execa';

/** An SD card in the emulator has a power of two. */
const diskBytes = 128 << 20;
const startBytes = 1 << 20;
const rootBytes = 63 << 20;
const otherBytes = 16 << 20;

/** Makes `file`: an MBR with an empty ext4 of 63 MiB from 1 MiB on, and two partitions of 16 MiB without content. */
export async function makeRootDisk(file: string): Promise<void> {
  const handle = await open(file, 'wx', 0o600);
  await handle.truncate(diskBytes);
  await handle.close();
  const others = `size=${otherBytes / 512}, type=c\nsize=${otherBytes / 512}, type=83\n`;
  const input = `label: dos\nstart=${startBytes / 512}, size=${rootBytes / 512}, type=83\n${others}`;
  await execa('sfdisk', ['--quiet', file], { input });
  const place = ['-E', `offset=${startBytes}`, file, `${rootBytes / 1024}k`];
  await execa('mke2fs', ['-q', '-t', 'ext4', '-L', 'station', ...place]);
}
