import { addressOf, localName, type PaperFacts } from './roll-paper.ts';

/** A path in quotes, since it may have blanks; a percent sign would begin a token (ssh_config(5), "TOKENS"). */
const quoted = (path: string) => `"${path.replaceAll('%', '%%')}"`;

/**
 * A piece for ~/.ssh/config, to be taken in by `Include` (ssh_config(5)). The key of a node belongs to its name
 * (`HostKeyAlias`), whatever its address is; where the key is on record, no other one is accepted.
 */
export function makeSshConfig(facts: PaperFacts): string {
  const { plan, nodes, keys, knownHosts } = facts;
  const blocks = nodes.map((node) => {
    const isKnown = (keys.nodes.get(node.name)?.hostKeys.length ?? 0) > 0;
    const trust =
      isKnown && knownHosts !== null
        ? [`UserKnownHostsFile ${quoted(knownHosts)}`, 'StrictHostKeyChecking yes']
        : [];
    const lines = [
      `HostName ${addressOf(facts, node) ?? localName(node)}`,
      `HostKeyAlias ${node.name}`,
      `User ${plan.access.user}`,
      ...trust,
    ];
    return [`Host ${node.name}`, ...lines.map((line) => `  ${line}`), ''].join('\n');
  });
  return blocks.join('\n');
}
