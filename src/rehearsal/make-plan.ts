import * as fs from 'node:fs';
import { join } from 'node:path';
import { stringify } from 'yaml';
import { makeHostKey } from '../identity/keys/host-key.ts';

/**
 * Lays out a plan of `count` nodes for an orchard's sensor network, with a key for its grower, in a folder: what a
 * person would write by hand. The key's private half is thrown away: nobody logs in to a make-believe node.
 *
 * @returns the plan's path
 */
export function makeRehearsalPlan(folder: string, count: number, imageName: string): string {
  fs.mkdirSync(join(folder, 'keys'), { recursive: true });
  fs.writeFileSync(join(folder, 'keys', 'grower.pub'), `${makeHostKey('grower@orchard').publicLine}\n`);
  const nodes = Array.from({ length: count }, (_, at) => ({
    name: `orchard-${String(at + 1).padStart(2, '0')}`,
    slot: `A${at + 1}`,
    address: `192.0.2.${11 + at}/24`,
  }));
  const plan = {
    plan: 1,
    set: 'orchard',
    image: { file: imageName },
    access: { user: 'grower', authorizedKeys: ['keys/grower.pub'] },
    hostKeys: 'create',
    network: { gateway: '192.0.2.1', nameservers: ['192.0.2.1'] },
    nodes,
  };
  const path = join(folder, 'orchard.yaml');
  fs.writeFileSync(
    path,
    `# Made by cardwright rehearse. Addresses are from a range kept for examples (RFC 5737).\n${stringify(plan)}`,
  );
  return path;
}
