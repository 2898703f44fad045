import { CardwrightError } from '../../contract/cardwright-error.ts';
import { parseAuthorizedKey } from '../../identity/keys/authorized-keys.ts';
import type { RecordedHostKey } from '../../records/record-types.ts';
import type { KeyOwner, KnownKeys, KnownNode } from './known-keys.ts';

/**
 * The same knowledge from a known_hosts file (sshd(8), "SSH_KNOWN_HOSTS FILE FORMAT"), for those who may not read the
 * records: a line belongs to the node that is among its names. Hashed names, patterns and marked lines are refused.
 *
 * @throws CardwrightError `rollcall.bad-keys-file`
 */
export function keysFromFile(text: string, path: string, set: string, nodes: readonly string[]): KnownKeys {
  const byNode = new Map<string, { hostKeys: RecordedHostKey[]; hostNames: string[] }>();
  const owners = new Map<string, KeyOwner>();
  for (const [at, line] of text.split('\n').entries()) {
    if (line.trim() === '' || line.startsWith('#')) continue;
    const refuse = (why: string) =>
      new CardwrightError('rollcall.bad-keys-file', { facts: { path, line: at + 1, why } });
    const [names = '', ...rest] = line.trim().split(/\s+/);
    if (/^[@|]|[*?!]/.test(names)) throw refuse('its names are hashed, marked or patterns');
    const parsed = parseAuthorizedKey(rest.join(' '));
    if (!parsed.ok) throw refuse(parsed.reason);
    const hostNames = names.split(',');
    const node = hostNames.find((name) => nodes.includes(name));
    if (node === undefined) continue;
    const known = byNode.get(node) ?? { hostKeys: [], hostNames };
    const { fingerprint, type } = parsed.key;
    known.hostKeys.push({ publicKey: `${type} ${rest[1] ?? ''}`, fingerprint });
    byNode.set(node, known);
    owners.set(fingerprint, { set, node, record: null, isLatest: true });
  }
  const known = [...byNode].map(([node, keys]): [string, KnownNode] => [node, { ...keys, record: null }]);
  return { nodes: new Map(known), owners };
}
