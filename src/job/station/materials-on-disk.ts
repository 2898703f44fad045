import { createHash } from 'node:crypto';
import * as fs from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { fillTemplate } from '../../identity/fill-template.ts';
import { hostKeysFor } from './host-keys.ts';
import type { PlanMaterials } from './plan-materials.ts';

/** Files and kept host keys as this process can read them. */
export const materialsOnDisk: PlanMaterials = {
  digestOf: (source) => createHash('sha256').update(read(source)).digest('hex'),
  contentOf({ source, template }, plan, node) {
    const content = read(source);
    if (!template) return content;
    const filled = fillTemplate(content, plan, node);
    if (filled.ok) return filled.content;
    const facts = { path: source, node: node.name, why: filled.why };
    throw new CardwrightError('plan.bad-template', { facts });
  },
  hostKeys: hostKeysFor,
};

function read(path: string): Uint8Array {
  try {
    return fs.readFileSync(path);
  } catch (cause) {
    const errno = (cause as NodeJS.ErrnoException).code ?? 'unknown error';
    throw new CardwrightError('usage.file-unreadable', { facts: { path, errno }, cause });
  }
}
