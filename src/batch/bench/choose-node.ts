import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Plan, PlanNode } from '../../contract/plan.ts';
import { selectNode } from '../plan/select-node.ts';
import type { BenchNode } from './bench-types.ts';

/** Who is next: the first in the plan's order that nobody works on. */
export function nextNode(nodes: readonly BenchNode[]): BenchNode | null {
  return nodes.find(({ state }) => state === 'waiting') ?? null;
}

/**
 * The nodes that a batch is to make, in the plan's order: those of `--only`, else all; without those that are done,
 * unless `--again` names them. A node that `--again` names needs no `--only`.
 *
 * @throws CardwrightError `plan.*` for a name that the plan does not have, `batch.nothing-to-do`
 */
export function chooseNodes(
  plan: Plan,
  done: ReadonlyMap<string, number>,
  { only, again }: { only: readonly string[]; again: readonly string[] },
): PlanNode[] {
  for (const name of [...only, ...again]) selectNode(plan, name);
  const wanted = plan.nodes.filter(({ name }) => only.length === 0 || only.includes(name));
  const onlyAgain = only.length === 0 && again.length > 0;
  const chosen = plan.nodes.filter(
    (node) => again.includes(node.name) || (!onlyAgain && wanted.includes(node) && !done.has(node.name)),
  );
  if (chosen.length > 0) return chosen;
  throw new CardwrightError('batch.nothing-to-do', { facts: { count: wanted.length } });
}
