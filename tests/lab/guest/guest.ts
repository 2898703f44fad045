/**
 * A small virtual machine with real block devices of the kinds that a card station meets: removable USB disks, SD
 * cards on an SD host, NVMe, SATA; a full Debian kernel (device-mapper, md, btrfs, vfat) and udev. It sees this
 * machine's file system read-only, with changes going to memory, so node and the checkout are there as here.
 *
 *   await withGuest({ disks: [{ kind: 'usb', file: card, id: 'card' }] }, async (guest) => {
 *     const { stdout } = await guest.run('lsblk --json');
 *     const job = await guest.start('node dist/cli.js write …');
 *     await job.waitForOutput(/write/);
 *     await guest.unplug('card');
 *     expect((await job.result).status).toBe(7);
 *   });
 *
 * Emulated without KVM, so booting takes some 12 s and node starts in 2: put all cases of one set of disks into one
 * guest. Files below /out are shared both ways (`guest.outFolder` here); those that you make elsewhere after the
 * start may not be seen by the guest, since it caches what it has looked at.
 * Needs root, qemu-system-x86, busybox-static, cpio, kmod, udev; the kernel is fetched once (kernel.ts).
 */
import { existsSync, readFileSync } from 'node:fs';
import { copyFile, mkdir, writeFile } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { type Cleanup, makeWorkFolder, withCleanup } from '../cleanup.ts';
import { type Running, startProcess, waitFor } from '../processes.ts';
import {
  CommandPort,
  type GuestJob,
  type GuestResult,
  makeStartJob,
  type StartJob,
  shellQuote,
} from './jobs.ts';
import { type GuestKernel, prepareKernel } from './kernel.ts';
import {
  type DiskKind,
  type GuestDisk,
  machineArguments,
  type NamedDisk,
  nameDisks,
  socketsIn,
} from './machine.ts';
import { makePlugs, type Plugs } from './plugs.ts';
import { Qmp } from './qmp.ts';

const here = dirname(fileURLToPath(import.meta.url));

/** Loaded before the first command; anything else comes by modprobe or by itself (device-mapper, md, btrfs). */
const alwaysModules = 'virtio_console vfat nls_ascii nls_cp437 nls_utf8 ext4 loop';
const modulesOfKind: Record<DiskKind, string> = {
  usb: 'xhci_pci usb_storage uas sd_mod sg',
  usbfixed: 'xhci_pci usb_storage uas sd_mod sg',
  uas: 'xhci_pci usb_storage uas sd_mod sg',
  slot: 'xhci_pci usb_storage uas sd_mod sg',
  mmc: 'sdhci_pci mmc_block',
  nvme: 'nvme',
  sata: 'ahci sd_mod sg',
  virtio: 'virtio_blk',
};

export interface GuestOptions {
  disks: readonly GuestDisk[];
  /** 2048 unless given */
  memoryMiB?: number;
  /** how long the guest may take until its first command; 120 s unless given */
  bootTimeoutMs?: number;
  /** "/dev/mmcblk0p1": / stands on this partition (ext4) of one of the disks; made by root-disk.ts */
  rootNode?: string;
  /** systemd is its first process, with nothing to start but the commands; else a shell is */
  isManaged?: boolean;
}

export interface Guest extends Plugs {
  /** this machine's side of the guest's /out */
  readonly outFolder: string;
  readonly qmp: Qmp;
  /** seconds from power-on to the first command, by the guest's clock */
  readonly bootSeconds: number;
  /** Starts a bash command line in the current folder and gives it back running; several run side by side. */
  readonly start: StartJob;
  /** Runs one and waits; a status other than 0 is a result, not an error. */
  run(command: string, options?: { timeoutMs?: number }): Promise<GuestResult>;
}

/** USB always, since it may be plugged in later. */
function modulesFor(disks: readonly NamedDisk[]): string {
  const names = [alwaysModules, modulesOfKind.usb, ...disks.map(({ kind }) => modulesOfKind[kind])];
  return [...new Set(names.join(' ').split(' '))].join(' ');
}

function sessionEnvironment(kernel: GuestKernel, disks: readonly NamedDisk[]): string {
  const variables = {
    PATH: process.env.PATH ?? '/usr/sbin:/usr/bin:/sbin:/bin',
    HOME: '/root',
    LANG: 'C.UTF-8',
    IN_GUEST: '1',
    KERNEL_VERSION: kernel.version,
    KERNEL_MODULES: kernel.modulesFolder,
    GUEST_MODULES: modulesFor(disks),
    GUEST_DISKS: String(disks.filter(({ file, kind }) => file !== null || kind !== 'mmc').length),
  };
  return Object.entries(variables)
    .map(([name, text]) => `export ${name}=${shellQuote(text)}\n`)
    .join('');
}

/** What to say when the machine does not do as it should: its end, its own words, the end of its console. */
function describeMachine(machine: Running, folder: string): string {
  const console = existsSync(join(folder, 'console')) ? readFileSync(join(folder, 'console'), 'utf8') : '';
  return `machine: ${machine.ended() ?? 'running'}\n${machine.output()}\nconsole: ${console.slice(-2000)}`;
}

async function makeGuestFolder(
  cleanup: Cleanup,
  kernel: GuestKernel,
  disks: readonly NamedDisk[],
): Promise<string> {
  const folder = await makeWorkFolder(cleanup);
  await mkdir(join(folder, 'out'));
  await copyFile(join(here, 'session.sh'), join(folder, 'out/session.sh'));
  await writeFile(join(folder, 'out/session.env'), sessionEnvironment(kernel, disks));
  return folder;
}

/** Waits for the guest's first word; gives its uptime in seconds. */
async function waitForBoot(port: CommandPort, machine: Running, timeoutMs: number): Promise<number> {
  const look = () => {
    if (machine.ended() !== null) throw new Error('lab: the machine ended before the guest was up');
    return port.find(/^ready ([\d.]+)$/);
  };
  const [, seconds] = await waitFor('the guest to boot', look, { timeoutMs, everyMs: 20 });
  return Number(seconds);
}

/** Boots a guest, runs `body` with it, and ends it; nothing is left, whatever happens. */
export async function withGuest<T>(options: GuestOptions, body: (guest: Guest) => Promise<T>): Promise<T> {
  const { memoryMiB = 2048, bootTimeoutMs = 120_000, rootNode = null, isManaged = false } = options;
  const kernel = await prepareKernel();
  const disks = nameDisks(options.disks);
  return withCleanup(async (cleanup) => {
    const folder = await makeGuestFolder(cleanup, kernel, disks);
    const args = machineArguments({ kernel, disks, memoryMiB, folder, rootNode, isManaged });
    const machine = startProcess(cleanup, 'qemu-system-x86_64', args, {
      outputPath: join(folder, 'qemu.out'),
    });
    const sockets = socketsIn(folder);
    const outFolder = join(folder, 'out');
    let port: CommandPort | null = null;
    let qmp: Qmp | null = null;
    try {
      port = await CommandPort.connect(sockets.commands);
      qmp = await Qmp.connect(sockets.qmp);
      const bootSeconds = await waitForBoot(port, machine, bootTimeoutMs);
      const start = makeStartJob(port, outFolder);
      const run: Guest['run'] = async (command, limits) => (await start(command, limits)).result;
      const value = await body({ outFolder, qmp, bootSeconds, start, run, ...makePlugs(qmp) });
      // An orderly end, so that what the guest has written is in the disks' files.
      port.send('off');
      await machine.stop(15_000);
      return value;
    } catch (error) {
      process.stderr.write(`lab: guest failed\n${describeMachine(machine, folder)}\n`);
      throw error;
    } finally {
      qmp?.close();
      port?.close();
    }
  });
}

interface GuestCommand extends GuestOptions {
  command: string;
  timeoutMs?: number;
  /** called once the command runs, with the machine to pull cards from */
  onRunning?: (guest: Guest, job: GuestJob) => Promise<void>;
}

/** One command in a guest of its own: boots, runs it, ends. */
export function runGuest({
  command,
  timeoutMs = 120_000,
  onRunning,
  ...options
}: GuestCommand): Promise<GuestResult> {
  return withGuest(options, async (guest) => {
    const job = await guest.start(command, { timeoutMs });
    await onRunning?.(guest, job);
    return job.result;
  });
}
