import { Liquid, LiquidError } from 'liquidjs';
import type { Plan, PlanNode } from '../contract/plan.ts';

const largestBytes = 2 ** 20;

/** No template reads other files, whatever it names; limits stop one that loops or grows without end. */
const engine = new Liquid({
  strictVariables: true,
  strictFilters: true,
  ownPropertyOnly: true,
  templates: {},
  parseLimit: largestBytes,
  renderLimit: 2000,
  memoryLimit: 2 ** 24,
});

export type Filled = { ok: true; content: Uint8Array } | { ok: false; why: string };

/** What a template may ask for. Nothing of it is secret. */
function namesFor(plan: Plan, node: PlanNode): Record<string, unknown> {
  const [ip = null, prefix = null] = node.address?.split('/') ?? [];
  const { name, slot, role, address, link, variables } = node;
  const { gateway, nameservers, domain } = plan.network;
  return {
    set: plan.set,
    user: plan.access.user,
    node: { name, slot, role, address, ip, prefix, link, variables },
    network: { gateway, nameservers, domain },
    nodes: plan.nodes.map((one) => ({
      name: one.name,
      slot: one.slot,
      role: one.role,
      ip: one.address?.split('/')[0],
    })),
  };
}

/** The library's sentence without its excerpt of the text, which may hold anything. */
function whyOf(error: unknown): string {
  if (!(error instanceof LiquidError)) return 'it cannot be filled in';
  const [sentence = ''] = error.message.split('\n', 1);
  return sentence.replace(/, file:[^,]*/, '').slice(0, 200);
}

/**
 * Fills a template in: {{ node.name }}, {{ node.variables.row }} and the like; conditions, loops and filters are those
 * of the Liquid template language. A name that does not exist is a mistake, not an empty text.
 * @param template UTF-8 text of up to 1 MiB
 */
export function fillTemplate(template: Uint8Array, plan: Plan, node: PlanNode): Filled {
  if (template.length > largestBytes) return { ok: false, why: 'it is larger than 1 MiB' };
  let text: string;
  try {
    text = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(template);
  } catch {
    // The decoder's only reason.
    return { ok: false, why: 'it is not UTF-8 text' };
  }
  try {
    return { ok: true, content: Buffer.from(String(engine.parseAndRenderSync(text, namesFor(plan, node)))) };
  } catch (error) {
    return { ok: false, why: whyOf(error) };
  }
}
