import { readPlan } from '../batch/plan/read-plan.ts';
import { selectNode } from '../batch/plan/select-node.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Plan } from '../contract/plan.ts';
import { materialsOnDisk } from '../job/station/materials-on-disk.ts';
import type { NodeRequest } from '../job/station/order-edit.ts';

export interface NodeOptions {
  plan?: string;
  node?: string;
}

/**
 * The node that `--plan` and `--node` name; null without both.
 *
 * @throws CardwrightError `usage.missing-argument` when only one is given, `plan.*`
 */
export async function nodeFromOptions(options: NodeOptions, command: string): Promise<NodeRequest | null> {
  if (options.plan === undefined && options.node === undefined) return null;
  const missing =
    options.plan === undefined ? '--plan FILE' : options.node === undefined ? '--node NAME' : null;
  if (missing !== null || options.plan === undefined || options.node === undefined) {
    throw new CardwrightError('usage.missing-argument', { facts: { argument: missing ?? '', command } });
  }
  const plan = await readPlanFile(options.plan);
  return { plan, node: selectNode(plan, options.node), materials: materialsOnDisk };
}

export async function readPlanFile(path: string): Promise<Plan> {
  return (await readPlan(path)).plan;
}
