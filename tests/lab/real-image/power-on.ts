/**
 * Puts a finished card into a computer and switches it on: an emulated one (no KVM), whose firmware's part is played
 * by QEMU: kernel, initramfs and kernel line come from the card's own boot volume, or from where its firmware has them.
 */
import { existsSync, readFileSync } from 'node:fs';
import { mkdir } from 'node:fs/promises';
import { join } from 'node:path';
import { execa } from 'execa';
import type { Cleanup } from '../cleanup.ts';
import { processor } from '../guest/machine.ts';
import { type Running, startProcess } from '../processes.ts';
import type { BenchNetwork } from './bench-network.ts';

export interface Computer {
  readonly running: Running;
  readonly poweredOnAtMs: number;
  /** the serial console so far */
  console(): string;
}

export interface PowerOnOptions {
  /** the computer's name on this machine: letters and digits */
  name: string;
  /** raw medium of the card */
  mediumPath: string;
  /** where the boot volume begins; or, of a card without one, a folder with what else would be in it */
  boot: { startBytes: number } | { folder: string };
  network: BenchNetwork;
  /** one of the network's */
  port: string;
}

/** Locally administered (IEEE 802: bit 0x02 of the first octet), and another for each port. */
const addressOf = ({ network, port }: PowerOnOptions) =>
  `52:54:00:00:02:${(network.ports.indexOf(port) + 1).toString(16).padStart(2, '0')}`;

/** Kernel, initramfs and kernel line of the boot volume that begins there. */
export async function copyBootFiles(mediumPath: string, startBytes: number, folder: string): Promise<void> {
  const files = ['vmlinuz', 'initrd.img', 'cmdline.txt'].map((file) => `::${file}`);
  await execa('mcopy', ['-i', `${mediumPath}@@${startBytes}`, ...files, folder]);
}

/** Starts the computer; it ends by itself when its system switches it off, else at the end of the scope. */
export async function powerOn(cleanup: Cleanup, parent: string, options: PowerOnOptions): Promise<Computer> {
  const { name, mediumPath, boot, network, port } = options;
  const folder = join(parent, name);
  await mkdir(folder);
  if ('startBytes' in boot) await copyBootFiles(mediumPath, boot.startBytes, folder);
  const bootFolder = 'folder' in boot ? boot.folder : folder;
  const kernelLine = readFileSync(join(bootFolder, 'cmdline.txt'), 'utf8').trim();
  const console = join(folder, 'console');
  const args = [
    ...['-accel', 'tcg,thread=multi', '-cpu', processor, '-smp', '2', '-m', '512'],
    ...['-nodefaults', '-no-user-config', '-display', 'none', '-no-reboot', '-serial', `file:${console}`],
    ...['-kernel', join(bootFolder, 'vmlinuz'), '-initrd', join(bootFolder, 'initrd.img')],
    ...['-append', kernelLine],
    ...['-drive', `if=none,id=card,format=raw,cache=writeback,file=${mediumPath}`],
    ...['-device', 'virtio-blk-pci,drive=card', '-device', 'virtio-rng-pci'],
    ...['-netdev', `tap,id=bench,ifname=${port},script=no,downscript=no`],
    ...['-device', `virtio-net-pci,netdev=bench,mac=${addressOf(options)}`],
  ];
  const running = startProcess(cleanup, ...network.inside('qemu-system-x86_64', args), {
    outputPath: join(folder, 'qemu.out'),
  });
  return {
    running,
    poweredOnAtMs: performance.now(),
    console: () => (existsSync(console) ? readFileSync(console, 'utf8') : ''),
  };
}
