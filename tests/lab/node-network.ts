/**
 * Computers that are nothing but a network namespace on the bench network: each has an address, and whatever of the
 * real programs a test starts there (sshd, avahi-daemon). They end with the scope.
 */
import { mkdirSync, readlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { execa } from 'execa';
import type { Cleanup } from './cleanup.ts';
import { type Running, startProcess, waitFor } from './processes.ts';
import type { BenchNetwork } from './real-image/bench-network.ts';

export interface BenchNode {
  readonly address: string;
  /** of its network card */
  readonly hardware: string;
  run(program: string, args: readonly string[]): Running;
  /** sshd with these private host keys, listening when this returns */
  startSshd(keyFiles: readonly string[]): Promise<Running>;
  /** a multicast DNS responder of this name */
  startNames(name: string): Promise<Running>;
}

interface NodeOptions {
  bench: BenchNetwork;
  folder: string;
  /** "192.0.2.11" in a /24 */
  address: string;
}

export async function addBenchNode(
  cleanup: Cleanup,
  { bench, folder, address }: NodeOptions,
): Promise<BenchNode> {
  const label = address.split('.').at(-1) ?? '';
  const own = join(folder, `node-${label}`);
  mkdirSync(own);
  const holder = startProcess(cleanup, 'unshare', ['--net', '--mount', 'sleep', '3600'], {
    outputPath: join(own, 'holder.out'),
  });
  const before = readlinkSync('/proc/self/ns/mnt');
  await waitFor('a node of the network', () => {
    if (holder.ended() !== null) throw new Error(`lab: no namespace: ${holder.output()}`);
    return readlinkSync(`/proc/${holder.pid}/ns/mnt`) !== before;
  });
  const enter = [`--net=/proc/${holder.pid}/ns/net`, `--mount=/proc/${holder.pid}/ns/mnt`];
  const outside = (line: string) => execa(...bench.inside('ip', line.split(' ')));
  const inside = (line: string) => execa('nsenter', [...enter, ...line.split(' ')]);
  await outside(`link add n${label} type veth peer name eth0 netns ${holder.pid}`);
  await outside(`link set n${label} master bench up`);
  await inside('ip link set lo up');
  await inside(`ip address add ${address}/24 dev eth0`);
  await inside('ip link set eth0 up');
  // In a name space of mounts of their own: their pid files would meet.
  await inside('mount -t tmpfs tmpfs /run');
  await inside('mkdir /run/sshd /run/avahi-daemon');
  const { stdout } = await inside('ip link show eth0');
  const hardware = /(?:[0-9a-f]{2}:){5}[0-9a-f]{2}/.exec(stdout)?.[0] ?? '';
  const run = (program: string, args: readonly string[]) =>
    startProcess(cleanup, 'nsenter', [...enter, program, ...args], { outputPath: join(own, 'programs.out') });
  return {
    address,
    hardware,
    run,
    async startSshd(keyFiles) {
      const config = join(own, 'sshd_config');
      writeFileSync(config, keyFiles.map((path) => `HostKey ${path}\n`).join(''));
      const sshd = run('/usr/sbin/sshd', ['-D', '-e', '-f', config]);
      await waitFor('sshd', () => said(sshd, 'Server listening'), { timeoutMs: 20_000 });
      return sshd;
    },
    async startNames(name) {
      const config = join(own, 'avahi.conf');
      writeFileSync(
        config,
        `[server]\nhost-name=${name}\nuse-ipv6=no\nenable-dbus=no\n[publish]\npublish-workstation=no\n`,
      );
      const avahi = run('avahi-daemon', ['--no-drop-root', '--no-chroot', '--no-rlimits', '-f', config]);
      // "Server startup complete. Host name is …", after it has asked whether the name is free (RFC 6762 section 8.1).
      await waitFor('a responder', () => said(avahi, 'startup complete'), { timeoutMs: 30_000 });
      return avahi;
    },
  };
}

function said(program: Running, text: string): boolean {
  if (program.ended() !== null) throw new Error(`lab: it ended: ${program.output()}`);
  return program.output().includes(text);
}
