import { stringify } from 'yaml';
import type { PlanNode } from '../../../contract/plan.ts';
import { addressOf, localName, type PaperFacts } from './roll-paper.ts';

/** Names of groups are letters, digits and underscores, no digit first. */
function groupName(text: string): string {
  const plain = text.toLowerCase().replace(/[^a-z0-9]+/g, '_');
  return /^[a-z]/.test(plain) ? plain : `group_${plain}`;
}

/**
 * The set as an Ansible inventory in YAML: one group for the set, one for each role in it, and for each host what an
 * SSH connection needs. A host keeps the name that the plan gives it.
 */
export function makeInventory(facts: PaperFacts): string {
  const { plan, nodes } = facts;
  const set = groupName(plan.set);
  const hosts = Object.fromEntries(nodes.map((node) => [node.name, hostFacts(facts, node)]));
  const roles = new Map<string, Record<string, object>>();
  for (const { name, role } of nodes) {
    if (role === null) continue;
    const group = groupName(role);
    // A group that has the name of the set, or of all, would be that very group.
    const key = group === set || group === 'all' || group === 'ungrouped' ? `role_${group}` : group;
    roles.set(key, { ...roles.get(key), [name]: {} });
  }
  const children = Object.fromEntries([...roles].map(([name, members]) => [name, { hosts: members }]));
  return stringify({
    all: {
      children: {
        [set]: {
          hosts,
          vars: { ansible_user: plan.access.user },
          ...(roles.size > 0 ? { children } : {}),
        },
      },
    },
  });
}

function hostFacts(facts: PaperFacts, node: PlanNode): object {
  const isKnown = (facts.keys.nodes.get(node.name)?.hostKeys.length ?? 0) > 0;
  const file = isKnown ? facts.knownHosts : null;
  const options = [
    `-o HostKeyAlias=${node.name}`,
    ...(file === null
      ? []
      : [`-o 'UserKnownHostsFile="${file.replaceAll('%', '%%')}"'`, '-o StrictHostKeyChecking=yes']),
  ];
  return {
    ansible_host: addressOf(facts, node) ?? localName(node),
    ansible_ssh_common_args: options.join(' '),
    ...(node.slot === null ? {} : { slot: node.slot }),
    ...(node.role === null ? {} : { role: node.role }),
  };
}
