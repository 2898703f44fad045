/**
 * A network of the lab's own: a bridge with ports for virtual machines, in a network namespace that nothing leads out
 * of. The station is 192.0.2.1 there (RFC 5737, for documentation). It ends with the process that holds it.
 */
import { readlinkSync } from 'node:fs';
import { join } from 'node:path';
import { execa } from 'execa';
import type { Cleanup } from '../cleanup.ts';
import { startProcess, waitFor } from '../processes.ts';

const longestSeconds = 3600;

export interface BenchNetwork {
  /** names of the ports; a machine takes one each */
  readonly ports: readonly string[];
  /** a command and its arguments, to be run inside */
  inside(program: string, args: readonly string[]): [program: string, args: string[]];
}

/** Makes the network; needs root, a tun driver and a bridge driver. Throws with what the kernel lacks. */
export async function makeBenchNetwork(
  cleanup: Cleanup,
  folder: string,
  { stationAddress, ports }: { stationAddress: string; ports: readonly string[] },
): Promise<BenchNetwork> {
  // unshare(1) becomes the sleeper, so the entry in the ledger names the process that holds the namespace.
  const holder = startProcess(cleanup, 'unshare', ['--net', 'sleep', String(longestSeconds)], {
    outputPath: join(folder, 'network.out'),
  });
  const own = readlinkSync('/proc/self/ns/net');
  const path = `/proc/${holder.pid}/ns/net`;
  // Before that, "inside" would be this machine's own network.
  await waitFor('a network namespace', () => {
    if (holder.ended() !== null) throw new Error(`lab: no network namespace: ${holder.output()}`);
    return readlinkSync(path) !== own;
  });
  const inside: BenchNetwork['inside'] = (program, args) => ['nsenter', [`--net=${path}`, program, ...args]];
  const ip = (line: string) => execa(...inside('ip', line.split(' ')));
  await ip('link set lo up');
  await ip('link add bench type bridge');
  await ip(`address add ${stationAddress} dev bench`);
  await ip('link set bench up');
  for (const port of ports) {
    await ip(`tuntap add dev ${port} mode tap`);
    await ip(`link set ${port} master bench`);
    await ip(`link set ${port} up`);
  }
  return { ports, inside };
}
