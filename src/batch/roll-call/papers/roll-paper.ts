import type { Plan, PlanNode } from '../../../contract/plan.ts';
import type { Roll } from '../call-roll.ts';
import type { KnownKeys } from '../known-keys.ts';

/** What the files for other programs are made from. */
export interface PaperFacts {
  plan: Plan;
  nodes: readonly PlanNode[];
  keys: KnownKeys;
  roll: Roll;
  /** absolute path of the known_hosts file that is written along with the others; null where none is */
  knownHosts: string | null;
}

/** Where a node is, as far as it can be told to others; its planned address, or where our card was met. */
export function addressOf({ roll }: Pick<PaperFacts, 'roll'>, node: PlanNode): string | null {
  const planned = node.address?.split('/')[0];
  if (planned !== undefined) return planned;
  const standing = roll.entries.find((entry) => entry.node.name === node.name)?.standing;
  return standing?.state === 'ours' || standing?.state === 'other-name' ? standing.at : null;
}

/** Its name over multicast DNS: what finds a node whose address is not known. */
export const localName = ({ name }: PlanNode): string => `${name}.local`;

/** Its full name, where the plan has a domain. */
export const fullNameOf = ({ plan }: Pick<PaperFacts, 'plan'>, { name }: PlanNode): string | null =>
  plan.network.domain === null ? null : `${name}.${plan.network.domain}`;
