import type { NodeFile } from '../../contract/identity.ts';

/** Names by which an older card may carry the same settings; they would be applied as well. */
export const otherMarkerNames = ['ssh.txt', 'userconf', 'failed_userconf.txt'];

/** Any content starts the SSH server, which then takes passwords. (Common practice, no standard.) */
export const sshFile: NodeFile = { path: 'ssh', content: new Uint8Array(), secret: false };

/** Its first line is `user:crypt-hash`. (Common practice, no standard.) */
export function makeUserFile(user: string, passwordHash: string): NodeFile {
  return { path: 'userconf.txt', content: Buffer.from(`${user}:${passwordHash}\n`), secret: true };
}

/**
 * The kernel line with the node's name on it: `systemd.hostname=` (kernel-command-line(7), systemd) sets the name at
 * every boot, before what the root file system says. The first line is the kernel line; what follows stays.
 */
export function nameOnKernelLine(cmdline: string, name: string): { text: string; isReplaced: boolean } {
  const [first = '', ...rest] = cmdline.replace(/\r?\n$/, '').split('\n');
  const words = first.split(/\s+/).filter((word) => word !== '');
  const others = words.filter((word) => !word.startsWith('systemd.hostname='));
  const line = [...others, `systemd.hostname=${name}`].join(' ');
  return { text: `${[line, ...rest].join('\n')}\n`, isReplaced: others.length < words.length };
}
