/** Logs in to a node as a person at the station would, with OpenSSH's own client and nothing but what is given here. */
import { execa } from 'execa';
import { waitFor } from '../processes.ts';
import type { BenchNetwork } from './bench-network.ts';
import type { Computer } from './power-on.ts';

export interface LoginOptions {
  /** "grower@192.0.2.11" */
  at: string;
  keyPath: string;
  /** the only keys that the client trusts */
  knownHostsPath: string;
  /** more of ssh_config(5), as "Name=value" */
  settings?: readonly string[];
}

export interface LoginResult {
  /** 255: the client itself failed (ssh(1), "EXIT STATUS"); else the command's */
  status: number;
  stdout: string;
  stderr: string;
}

const noTrustBut = (knownHostsPath: string) => [
  'StrictHostKeyChecking=yes',
  `UserKnownHostsFile=${knownHostsPath}`,
  'GlobalKnownHostsFile=/dev/null',
  'UpdateHostKeys=no',
];

/** One command on a node. Nobody is asked anything. */
export async function runOn(
  network: BenchNetwork,
  { at, keyPath, knownHostsPath, settings = [] }: LoginOptions,
  command: string,
  timeoutMs = 120_000,
): Promise<LoginResult> {
  const all = [
    // The first word on a setting is the one that counts.
    ...settings,
    ...noTrustBut(knownHostsPath),
    'BatchMode=yes',
    'IdentitiesOnly=yes',
    'IdentityAgent=none',
    'ConnectTimeout=20',
  ];
  const options = all.flatMap((setting) => ['-o', setting]);
  const args = ['-F', 'none', '-i', keyPath, ...options, at, command];
  const { exitCode, stdout, stderr, timedOut } = await execa(...network.inside('ssh', args), {
    reject: false,
    timeout: timeoutMs,
  });
  if (timedOut)
    throw new Error(`lab: no end of "${command}" at ${at} within ${timeoutMs / 1000} s\n${stderr}`);
  return { status: exitCode ?? 255, stdout, stderr };
}

/** Waits until `login` gets in; gives the seconds since power-on. Throws when the computer stops or time is up. */
export async function waitForLogin(
  network: BenchNetwork,
  computer: Computer,
  login: LoginOptions,
  timeoutMs: number,
): Promise<number> {
  let last = '';
  const look = async () => {
    const { running } = computer;
    if (running.ended() !== null) throw new Error(`lab: the computer stopped\n${running.output()}`);
    const { status, stderr } = await runOn(network, login, 'true');
    last = stderr;
    return status === 0 && (performance.now() - computer.poweredOnAtMs) / 1000;
  };
  try {
    return await waitFor(`${login.at} to let us in`, look, { timeoutMs, everyMs: 1000 });
  } catch (error) {
    throw new Error(`${String(error)}\n${last}\nconsole: ${computer.console().slice(-3000)}`);
  }
}
