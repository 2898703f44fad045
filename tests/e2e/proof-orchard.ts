/** The orchard's two nodes as a person would plan them: a key made for the grower, and addresses for both. */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { stringify } from 'yaml';

export const stationAddress = '192.0.2.1';

export const orchardNodes = [
  { name: 'orchard-01', address: '192.0.2.11' },
  { name: 'orchard-02', address: '192.0.2.12' },
] as const;

export type OrchardNode = (typeof orchardNodes)[number];

/** Makes a pair of keys with OpenSSH's own tool. @returns the path of the private half */
export function makeKey(folder: string, name: string): string {
  const path = join(folder, name);
  execFileSync('ssh-keygen', ['-q', '-t', 'ed25519', '-N', '', '-C', `${name}@orchard`, '-f', path]);
  return path;
}

export const domain = 'orchard.example.org';
/** Every byte once: nothing on the way may take it for text. */
export const fieldBytes = Buffer.from(Array.from({ length: 256 }, (_, byte) => byte));

/** What the nodes are and do from their first start on. */
const firstDay = {
  // A zone and a locale that no image has by itself; the zone is 345 minutes ahead of UTC (tz database).
  system: { timezone: 'Asia/Kathmandu', locale: 'en_GB.UTF-8' },
  firstBoot: {
    files: [
      { path: '/etc/orchard/gate.conf', from: 'gate.conf', mode: '0640', template: true },
      { path: '/home/grower/fields/field.bin', from: 'field.bin', mode: '0600', owner: 'grower:grower' },
    ],
    commands: [
      'echo "it\'s $(hostname --fqdn)" > /var/lib/first-boot',
      'exit 3',
      'wc -c < /home/grower/fields/field.bin >> /var/lib/first-boot',
    ],
  },
};

/** Writes the plan into `folder`, with `changes` to its top. @returns its path */
export function makePlan(
  folder: string,
  image: string,
  publicKey: string,
  changes: Record<string, unknown> = {},
): string {
  const path = join(folder, 'orchard.yaml');
  fs.copyFileSync(publicKey, join(folder, 'grower.pub'));
  fs.writeFileSync(join(folder, 'gate.conf'), 'gate of {{ node.name }}\n');
  fs.writeFileSync(join(folder, 'field.bin'), fieldBytes);
  const plan = {
    plan: 1,
    set: 'orchard',
    image: {
      file: image,
      sha256: execFileSync('sha256sum', [image], { encoding: 'utf8' }).split(' ')[0],
    },
    access: { user: 'grower', authorizedKeys: ['grower.pub'], sudo: 'free' },
    hostKeys: 'create',
    network: { gateway: stationAddress, nameservers: [stationAddress], domain },
    ...firstDay,
    nodes: orchardNodes.map(({ name, address }) => ({ name, address: `${address}/24` })),
    ...changes,
  };
  fs.writeFileSync(path, stringify(plan));
  return path;
}
