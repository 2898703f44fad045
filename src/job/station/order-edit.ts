import { randomUUID } from 'node:crypto';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageVolume } from '../../contract/image.ts';
import type { Plan, PlanNode } from '../../contract/plan.ts';
import type { RootLook } from '../../contract/root-facts.ts';
import { fillTemplate } from '../../identity/fill-template.ts';
import { newFilesKey } from '../../identity/listed-files.ts';
import type { EditOrder } from '../engine/edit-boot-volume.ts';
import { materialsOnDisk, type PlanMaterials } from './plan-materials.ts';

export interface NodeRequest {
  plan: Plan;
  node: PlanNode;
  /** left out: what is on this machine's disk */
  materials?: PlanMaterials;
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
export function orderEdit(request: NodeRequest, facts: EditFacts): EditOrder {
  const { plan, node, materials = materialsOnDisk } = request;
  const { startByte, sizeBytes } = facts.volume;
  return {
    volume: { startByte, sizeBytes, sectorBytes: facts.sectorBytes },
    plan,
    node,
    extraFiles: node.files.map((file) => ({ path: file.path, content: readPlanFile(file, request) })),
    firstBootFiles: node.firstBoot.files.map((file) => ({
      path: file.path,
      mode: file.mode,
      owner: file.owner,
      content: readPlanFile(file, request),
    })),
    instanceId: `${node.name}-${randomUUID()}`,
    hostKeys: materials.hostKeys(plan, node, facts.keepsHostKeys),
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
  const content = (request.materials ?? materialsOnDisk).readFile(source);
  if (!template) return content;
  const filled = fillTemplate(content, request.plan, request.node);
  if (filled.ok) return filled.content;
  const facts = { path: source, node: request.node.name, why: filled.why };
  throw new CardwrightError('plan.bad-template', { facts });
}
