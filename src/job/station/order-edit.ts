import { randomUUID } from 'node:crypto';
import type { ImageVolume } from '../../contract/image.ts';
import type { Plan, PlanNode } from '../../contract/plan.ts';
import type { RootLook } from '../../contract/root-facts.ts';
import { newFilesKey } from '../../identity/listed-files.ts';
import type { EditOrder } from '../engine/edit-boot-volume.ts';
import type { PlanMaterials } from './plan-materials.ts';

export interface NodeRequest {
  plan: Plan;
  node: PlanNode;
  materials: PlanMaterials;
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
export function orderEdit({ plan, node, materials }: NodeRequest, facts: EditFacts): EditOrder {
  const { startByte, sizeBytes } = facts.volume;
  return {
    volume: { startByte, sizeBytes, sectorBytes: facts.sectorBytes },
    plan,
    node,
    extraFiles: node.files.map((file) => ({
      path: file.path,
      content: materials.contentOf(file, plan, node),
    })),
    firstBootFiles: node.firstBoot.files.map((file) => ({
      path: file.path,
      mode: file.mode,
      owner: file.owner,
      content: materials.contentOf(file, plan, node),
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
