import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Plan, PlanNode } from '../../contract/plan.ts';
import { hintFor } from './nearest-word.ts';

/** The node of that name. Throws `plan.no-such-node`, which lists the names there are. */
export function selectNode(plan: Plan, name: string): PlanNode {
  const found = plan.nodes.find((node) => node.name === name);
  if (found !== undefined) return found;
  const names = plan.nodes.map((node) => node.name);
  throw new CardwrightError('plan.no-such-node', {
    facts: { node: name, path: plan.path, hint: hintFor(name, names), names: names.join(', ') },
  });
}
