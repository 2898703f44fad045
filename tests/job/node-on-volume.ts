import type { Plan, PlanNode } from '../../src/contract/plan.ts';
import type { HostKey } from '../../src/identity/keys/host-key.ts';
import { type EditOrder, editFiles } from '../../src/job/engine/edit-boot-volume.ts';
import { openVolume } from '../../src/volume/open-volume.ts';
import { orchardPlan } from '../identity/orchard.ts';
import { applied, sourceOf, wholeOf } from '../volume/fat-image.ts';

export const identity = {
  set: 'orchard',
  node: 'orchard-01',
  record: 'a2b5c1d0-0000-4000-8000-000000000001',
  imageSha256: null,
  tool: '0.1.0',
  writtenAt: '2031-11-03T21:46:58.000Z',
};

export const filesKey = Buffer.alloc(32, 'key');

export interface Writing {
  node: PlanNode;
  plan?: Plan;
  hostKeys?: HostKey[];
  instanceId?: string;
  extra?: Record<string, string>;
}

/** What makes a whole volume the node's. */
export function orderFor(
  image: Buffer,
  { node, plan, hostKeys, instanceId, extra = {} }: Writing,
): EditOrder {
  return {
    volume: wholeOf(image),
    plan: plan ?? orchardPlan({}),
    node,
    extraFiles: Object.entries(extra).map(([path, text]) => ({ path, content: Buffer.from(text) })),
    firstBootFiles: [],
    instanceId: instanceId ?? `${node.name}-1`,
    hostKeys: hostKeys ?? [],
    root: null,
    identity: { ...identity, node: node.name },
    filesKey,
    modifiedAtMs: Date.UTC(2031, 10, 3),
  };
}

/** The volume as the engine leaves it. */
export function editedVolume(image: Buffer, writing: Writing): { after: Buffer; removed: string[] } {
  const volume = openVolume(sourceOf(image), wholeOf(image));
  try {
    const { removed } = editFiles(volume, orderFor(image, writing));
    return { after: applied(image, volume.changes()), removed };
  } finally {
    volume.close();
  }
}
