import { addressOf, fullNameOf, type PaperFacts } from './roll-paper.ts';

/** A piece for /etc/hosts (hosts(5)): address, full name, name. A node whose address is not known has no line. */
export function makeHosts(facts: PaperFacts): string {
  const lines = facts.nodes.map((node) => {
    const address = addressOf(facts, node);
    if (address === null) return `# ${node.name}: its address is not known`;
    return [address, fullNameOf(facts, node), node.name].filter((part) => part !== null).join('\t');
  });
  return lines.map((line) => `${line}\n`).join('');
}
