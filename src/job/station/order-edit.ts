import { randomUUID } from 'node:crypto';
import * as fs from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageVolume } from '../../contract/image.ts';
import type { Plan, PlanNode } from '../../contract/plan.ts';
import type { RootLook } from '../../contract/root-facts.ts';
import { fillTemplate } from '../../identity/fill-template.ts';
import { newFilesKey } from '../../identity/listed-files.ts';
import type { EditOrder } from '../engine/edit-boot-volume.ts';
import { hostKeysFor } from './host-keys.ts';

export interface NodeRequest {
  plan: Plan;
  node: PlanNode;
}

export interface EditFacts {
  volume: Pick<ImageVolume, 'startByte' | 'sizeBytes'>;
  sectorBytes: number;
  recordUuid: string;
  imageSha256: string | null;
  /** what was learnt of the root volume; null where it was not looked at */
  root: RootLook | null;
  toolVersion: string;
  nowMs: number;
  /** false for a look at what would be done, which leaves nothing behind */
  keepsHostKeys: boolean;
}

/** Stands for the record's number in a look at what would be done, and is as long: the files take the same clusters. */
export const notYetWritten = 'not yet made';

/** Gathers all that makes one node itself: new host keys, a new instance id, the plan's extra files as they are now. */
export function orderEdit({ plan, node }: NodeRequest, facts: EditFacts): EditOrder {
  const { startByte, sizeBytes } = facts.volume;
  return {
    volume: { startByte, sizeBytes, sectorBytes: facts.sectorBytes },
    plan,
    node,
    extraFiles: node.files.map((file) => ({ path: file.path, content: readPlanFile(file, { plan, node }) })),
    firstBootFiles: node.firstBoot.files.map((file) => ({
      path: file.path,
      mode: file.mode,
      owner: file.owner,
      content: readPlanFile(file, { plan, node }),
    })),
    instanceId: `${node.name}-${randomUUID()}`,
    hostKeys: hostKeysFor(plan, node, facts.keepsHostKeys),
    identity: {
      set: plan.set,
      node: node.name,
      record: facts.recordUuid,
      imageSha256: facts.imageSha256,
      tool: facts.toolVersion,
      writtenAt: new Date(facts.nowMs).toISOString(),
    },
    root: facts.root,
    filesKey: newFilesKey(),
    modifiedAtMs: facts.nowMs,
  };
}

/** A file that the plan names, as it is now; a template filled in for the node. */
function readPlanFile(
  { source, template }: { source: string; template: boolean },
  request: NodeRequest,
): Uint8Array {
  const content = readSource(source);
  if (!template) return content;
  const filled = fillTemplate(content, request.plan, request.node);
  if (filled.ok) return filled.content;
  const facts = { path: source, node: request.node.name, why: filled.why };
  throw new CardwrightError('plan.bad-template', { facts });
}

function readSource(path: string): Uint8Array {
  try {
    return fs.readFileSync(path);
  } catch (cause) {
    const errno = (cause as NodeJS.ErrnoException).code ?? 'unknown error';
    throw new CardwrightError('usage.file-unreadable', { facts: { path, errno }, cause });
  }
}
