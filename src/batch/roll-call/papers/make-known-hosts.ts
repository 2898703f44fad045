import { makeKnownHostsLine } from '../../../identity/keys/known-hosts.ts';
import { addressOf, localName, type PaperFacts } from './roll-paper.ts';

/**
 * The host keys on record, a line each, under every name of their node: never a key that was only met. Nodes without
 * recorded keys have no line.
 */
export function makeKnownHosts(facts: PaperFacts): string {
  const lines = facts.nodes.flatMap((node) => {
    const known = facts.keys.nodes.get(node.name);
    const address = addressOf(facts, node);
    const names = [node.name, ...(known?.hostNames ?? []), localName(node), ...(address ? [address] : [])];
    return (known?.hostKeys ?? []).map(({ publicKey }) => makeKnownHostsLine([...new Set(names)], publicKey));
  });
  return lines.map((line) => `${line}\n`).join('');
}
