/** The orchard after power-on, for roll calls: a plan, records with host keys that ssh-keygen made, and a network. */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { stringify } from 'yaml';
import { fingerprintOf } from '../../src/identity/keys/fingerprint.ts';
import { openRecords } from '../../src/records/open-records.ts';
import { orchardJob } from '../records/sample.ts';

export interface PlannedNode {
  name: string;
  address?: string;
  slot?: string;
  role?: string;
}

export interface Orchard {
  folder: string;
  plan: string;
  records: string;
  /** path of a node's private host key of this type */
  keyFile(node: string, type: 'ed25519' | 'rsa'): string;
  /** its public half, without a comment */
  publicKey(node: string, type: 'ed25519' | 'rsa'): string;
}

/** RSA keys take long to make: those of three nodes do. */
const typesOf = (node: string) =>
  /-0[125]$/.test(node) ? (['ed25519', 'rsa'] as const) : (['ed25519'] as const);

/** Keys for every node, a finished card in the records for all but those in `unmade`. */
export function layOutOrchard(
  folder: string,
  nodes: readonly PlannedNode[],
  unmade: readonly string[],
): Orchard {
  const keyFile: Orchard['keyFile'] = (node, type) => join(folder, `${node}.${type}`);
  const publicKey: Orchard['publicKey'] = (node, type) =>
    fs
      .readFileSync(`${keyFile(node, type)}.pub`, 'utf8')
      .split(' ')
      .slice(0, 2)
      .join(' ');
  for (const { name } of nodes) {
    for (const type of typesOf(name)) {
      const size = type === 'rsa' ? ['-b', '2048'] : [];
      execFileSync('ssh-keygen', ['-q', '-t', type, ...size, '-N', '', '-C', '', '-f', keyFile(name, type)]);
    }
  }
  const plan = join(folder, 'orchard.yaml');
  fs.copyFileSync(`${keyFile(nodes[0]?.name ?? '', 'ed25519')}.pub`, join(folder, 'grower.pub'));
  fs.writeFileSync(
    plan,
    stringify({
      plan: 1,
      set: 'orchard',
      access: { user: 'grower', authorizedKeys: ['grower.pub'] },
      network: { domain: 'orchard.example.org' },
      nodes: nodes.map(({ address, ...node }) => (address ? { ...node, address: `${address}/24` } : node)),
    }),
  );
  const path = join(folder, 'store', 'records.db');
  const records = openRecords(path, { now: Date.now });
  for (const { name, address } of nodes.filter((node) => !unmade.includes(node.name))) {
    const id = records.beginJob({ ...orchardJob, set: 'orchard', node: name });
    const hostKeys = typesOf(name).map((type) => {
      const line = publicKey(name, type);
      return { publicKey: line, fingerprint: fingerprintOf(Buffer.from(line.split(' ')[1] ?? '', 'base64')) };
    });
    const hostNames = [name, `${name}.orchard.example.org`, ...(address ? [address] : [])];
    records.saveIdentity(id, { hostNames, hostKeys, identityFileSha256: null });
    records.enterPhase(id, 'seal');
    records.markSealing(id);
    records.markDone(id, { bytesReadBack: 1, sectorsRead: null });
  }
  records.close();
  return { folder, plan, records: path, keyFile, publicKey };
}
