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

/** Writes the plan into `folder`. @returns its path */
export function makePlan(folder: string, image: string, publicKey: string): string {
  const path = join(folder, 'orchard.yaml');
  fs.copyFileSync(publicKey, join(folder, 'grower.pub'));
  const plan = {
    plan: 1,
    set: 'orchard',
    image: {
      file: image,
      sha256: execFileSync('sha256sum', [image], { encoding: 'utf8' }).split(' ')[0],
    },
    access: { user: 'grower', authorizedKeys: ['grower.pub'] },
    hostKeys: 'create',
    network: { gateway: stationAddress, nameservers: [stationAddress] },
    nodes: orchardNodes.map(({ name, address }) => ({ name, address: `${address}/24` })),
  };
  fs.writeFileSync(path, stringify(plan));
  return path;
}
