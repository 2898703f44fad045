import type { Plan, PlanFile, PlanNodeFile } from '../../contract/plan.ts';
import { fillTemplate } from '../../identity/fill-template.ts';
import { type Mistake, mistake, type PlanPath, partsOf, type Raw, textAt, valueAt } from './mistake.ts';
import { errnoOf, type PlanFiles } from './plan-files.ts';

type Template = PlanFile | PlanNodeFile;

/** Where the plan names the template that a node gets: among its own files, or among the set's. */
function pathOf(raw: Raw, index: number, { path }: Template): PlanPath {
  const [set = [], ...nodes] = partsOf(raw);
  const own = nodes[index] ?? set;
  for (const part of [own, set]) {
    const templates = valueAt(raw, [...part, 'templates']);
    const name = Object.keys(templates ?? {}).find((one) => one.toLowerCase() === path.toLowerCase());
    if (name !== undefined) return [...part, 'templates', name];
    const files = valueAt(raw, [...part, 'firstBoot', 'files']);
    const at = Array.isArray(files)
      ? files.findIndex((_, item) => textAt(raw, [...part, 'firstBoot', 'files', item, 'path']) === path)
      : -1;
    if (at >= 0) return [...part, 'firstBoot', 'files', at, 'from'];
  }
  return set;
}

/** Fills every template in for every node, so that a name which does not exist is told before any card is made. */
export async function checkTemplates(raw: Raw, plan: Plan, files: PlanFiles): Promise<Mistake[]> {
  const mistakes = new Map<string, Mistake>();
  for (const [index, node] of plan.nodes.entries()) {
    const templates: Template[] = [...node.files, ...node.firstBoot.files].filter(({ template }) => template);
    for (const template of templates) {
      const path = pathOf(raw, index, template);
      const why = await whyUnfilled(template.source, plan, node, files);
      const known = JSON.stringify(path);
      if (why === null || mistakes.has(known)) continue;
      mistakes.set(
        known,
        mistake('plan.bad-template', path, { path: template.source, node: node.name, why }),
      );
    }
  }
  return [...mistakes.values()];
}

async function whyUnfilled(
  source: string,
  plan: Plan,
  node: Plan['nodes'][number],
  files: PlanFiles,
): Promise<string | null> {
  try {
    const filled = fillTemplate(await files.readFile(source), plan, node);
    return filled.ok ? null : filled.why;
  } catch (error) {
    return `it cannot be read (${errnoOf(error)})`;
  }
}
