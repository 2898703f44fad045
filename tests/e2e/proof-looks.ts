/** What can be seen of a node that is up: from within, logged in, and from outside, at its door. */
import { execa } from 'execa';
import type { BenchNetwork } from '../lab/real-image/bench-network.ts';
import { type LoginOptions, type LoginResult, runOn } from '../lab/real-image/log-in.ts';

/** Commands for a login shell on the node; the first one waits until its first boot is through. */
const questions = {
  firstBoot: 'cloud-init status --wait --long',
  hostName: 'hostname',
  fullName: 'hostname --fqdn',
  user: 'id -un',
  superUser: 'sudo -n id -un',
  addresses: 'ip -4 -brief address show scope global',
  route: 'ip -4 route show default',
  nameservers: 'cat /run/systemd/resolve/resolv.conf',
  password: 'sudo -n passwd --status grower',
  userDataCheck: 'sudo -n cloud-init schema --system',
  complaints: "sudo -n grep -E ' - [^ ]+\\[(WARNING|ERROR|CRITICAL)\\]' /var/log/cloud-init.log || true",
  hostKeyFiles: "sudo -n stat --format='%n %a %U' /etc/ssh/ssh_host_*",
  clockAndLanguage: 'date +%z; . /etc/default/locale; echo $LANG; LC_ALL=$LANG date -d 2031-11-03 +%x',
  ownFiles:
    'sudo -n stat --format="%n %a %U:%G" /etc/orchard/gate.conf ~/fields ~/fields/field.bin /var/lib/first-boot',
  ownContents:
    'sudo -n sh -c "sha256sum ~grower/fields/field.bin; cat /etc/orchard/gate.conf /var/lib/first-boot"',
  ownCommands: 'sudo -n cat /var/lib/cloud/instance/scripts/runcmd',
  ownText: 'cat /etc/motd',
  machineId: 'cat /etc/machine-id',
  failedUnits: 'systemctl list-units --state=failed --plain --no-legend',
} as const;

export type Answers = Record<keyof typeof questions, LoginResult>;

/** Asks one after another: the node has one slow processor or two. */
export async function askNode(network: BenchNetwork, login: LoginOptions): Promise<Answers> {
  const answers = {} as Answers;
  for (const key of Object.keys(questions) as (keyof typeof questions)[]) {
    answers[key] = await runOn(network, login, questions[key], 300_000);
  }
  return answers;
}

/** Type and key of every host key that the node shows, as "ssh-ed25519 AAAA…". */
export async function scanHostKeys(network: BenchNetwork, address: string): Promise<string[]> {
  const { stdout } = await execa(...network.inside('ssh-keyscan', ['-T', '60', address]));
  return stdout
    .split('\n')
    .filter((line) => line.startsWith(`${address} `))
    .map((line) => line.slice(address.length + 1));
}

export interface Doors {
  /** a password instead of a key, by user */
  password: Record<string, LoginResult>;
  strangersKey: LoginResult;
  rootWithKey: LoginResult;
  /** the right key, but the client expects another node's host key here */
  otherHostKey: LoginResult;
  /** a password, after the node was told to take passwords: shows that the other answers mean something */
  passwordSwitchedOn: LoginResult;
}

const switchPasswordsOn =
  "sudo -n sh -c 'echo PasswordAuthentication yes > /etc/ssh/sshd_config.d/00-bench.conf && systemctl restart ssh'";

/** Tries every way in that has to be shut; comes last, since it opens one in the end. */
export async function tryDoors(
  network: BenchNetwork,
  login: LoginOptions & { address: string },
  strangers: { keyPath: string; knownHostsPath: string },
): Promise<Doors> {
  const { address } = login;
  const withPassword = [
    'PubkeyAuthentication=no',
    'PreferredAuthentications=password,keyboard-interactive',
    'NumberOfPasswordPrompts=1',
  ];
  const password: Doors['password'] = {};
  for (const user of ['grower', 'root', 'debian']) {
    const at = `${user}@${address}`;
    password[user] = await runOn(network, { ...login, at, settings: withPassword }, 'true');
  }
  const shut = {
    password,
    strangersKey: await runOn(network, { ...login, keyPath: strangers.keyPath }, 'true'),
    rootWithKey: await runOn(network, { ...login, at: `root@${address}` }, 'true'),
    otherHostKey: await runOn(network, { ...login, knownHostsPath: strangers.knownHostsPath }, 'true'),
  };
  const { status, stderr } = await runOn(network, login, switchPasswordsOn);
  if (status !== 0) throw new Error(`passwords could not be switched on: ${stderr}`);
  return { ...shut, passwordSwitchedOn: await runOn(network, { ...login, settings: withPassword }, 'true') };
}
