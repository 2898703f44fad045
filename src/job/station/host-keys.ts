import * as fs from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { HostKeyType, Plan, PlanNode } from '../../contract/plan.ts';
import { type HostKey, makeHostKey } from '../../identity/keys/host-key.ts';
import { readPrivateKey } from '../../identity/keys/read-private-key.ts';
import {
  addPrivateFile,
  makePrivateFolder,
  openPrivateFolder,
  type PrivateFolder,
  readPrivateFile,
} from './private-folder.ts';

const fileName = (type: HostKeyType) => `ssh_host_${type}_key`;

/**
 * The host keys of a node's next card: those that the plan's folder keeps (`FOLDER/NODE/ssh_host_TYPE_key` and
 * `.pub`, as sshd(8) names them), so that a replacement card is the same node; new ones where it keeps none. None
 * where the image makes its own.
 *
 * @param keeps are new keys put into the folder? A preview leaves nothing behind.
 * @throws CardwrightError `identity.host-key-unusable` where what is kept is damaged, or others can get at it
 */
export function hostKeysFor(plan: Plan, node: PlanNode, keeps: boolean): HostKey[] {
  if (plan.hostKeys !== 'create') return [];
  const fresh = () => plan.hostKeyTypes.map((type) => makeHostKey(node.name, type));
  if (plan.hostKeyFolder === null) return fresh();
  const path = plan.hostKeyFolder;
  const open = keeps ? makePrivateFolder : openPrivateFolder;
  return (
    withFolder(open(path, null), (folder) =>
      withFolder(open(`${path}/${node.name}`, folder), (own) =>
        plan.hostKeyTypes.map((type) => keyIn(own, type, node.name, keeps)),
      ),
    ) ?? fresh()
  );
}

function withFolder<T>(folder: PrivateFolder | null, use: (folder: PrivateFolder) => T | null): T | null {
  if (!folder) return null;
  try {
    return use(folder);
  } finally {
    fs.closeSync(folder.fd);
  }
}

function keyIn(folder: PrivateFolder, type: HostKeyType, nodeName: string, keeps: boolean): HostKey {
  const kept = readKept(folder, type);
  if (!kept && !keeps) return makeHostKey(nodeName, type);
  if (!kept) {
    addPrivateFile(folder, fileName(type), makeHostKey(nodeName, type).privatePem);
  }
  // What was put there is what another job may have put there a moment before; that one counts.
  const key = kept ?? readKept(folder, type);
  if (!key) throw unusable(`${folder.path}/${fileName(type)}`, 'it vanished while it was made');
  if (keeps) addPrivateFile(folder, `${fileName(type)}.pub`, `${key.publicLine}\n`);
  return key;
}

function unusable(path: string, why: string): CardwrightError {
  return new CardwrightError('identity.host-key-unusable', { card: 'untouched', facts: { path, why } });
}

/** The pair as it is kept; null where there is none. A missing public half is nothing lost: the private one holds it. */
function readKept(folder: PrivateFolder, type: HostKeyType): HostKey | null {
  const name = fileName(type);
  const path = `${folder.path}/${name}`;
  const pem = readPrivateFile(folder, name, 0o077);
  const line = readPrivateFile(folder, `${name}.pub`, 0o022);
  if (pem === null) {
    if (line !== null) throw unusable(path, 'its public half is there, but it is not');
    return null;
  }
  const read = readPrivateKey(pem);
  if (!read.ok) throw unusable(path, read.reason);
  if (read.key.type !== type) throw unusable(path, `it is a key of another kind (${read.key.type})`);
  const sameKey = (one: string) => one.trim().split(/\s+/).slice(0, 2).join(' ');
  if (line !== null && sameKey(line) !== sameKey(read.key.publicLine)) {
    throw unusable(`${path}.pub`, 'it is not the public half of the private key beside it');
  }
  return read.key;
}
