import * as z from 'zod';
import type { NodeRequest } from '../../job/station/order-edit.ts';
import { materialsInHand, type NodeMaterials, type PlanMaterials } from '../../job/station/plan-materials.ts';
import { imageForm, seedForm, sha256Hex } from './image-form.ts';
import { planForm } from './plan-form.ts';

/** A disk's node, a by-id link or a port: bounded, and looked up among the disks that there are. */
export const deviceName = z
  .string()
  .min(1)
  .max(300)
  .regex(/^[\x20-\x7e]+$/);
export const recordNumber = z.int().min(1).max(9_999_999_999);

const keyText = z.string().max(16_384);
const hostKey = z.strictObject({
  type: z.enum(['ed25519', 'rsa']),
  privatePem: keyText,
  publicLine: keyText,
  fingerprint: z.string().max(200),
});

const path = z.string().max(4096);
/** What the plan only names, for one node: by the path that the plan has for a file. */
const materials = z.strictObject({
  digests: z.record(path, sha256Hex),
  /** by `contentKey`: templates are filled in already */
  contents: z.record(path, z.base64()),
  hostKeys: z.array(hostKey).max(2),
});

/** A node with all that makes it itself: what the plan only names came along. */
const nodeForm = z.strictObject({
  plan: planForm,
  /** one of the plan's */
  node: z.string().max(4096),
  materials,
});

const image = z.strictObject({
  /** SHA-256 of the file as stored, which was sent before under that name */
  upload: sha256Hex,
  facts: imageForm,
  expectedSha256: sha256Hex.nullable(),
  wish: seedForm.nullable(),
});

/** `CODE` or `CODE:NAME`, as it is typed. */
const typed = z.string().max(300);
/** true: somebody watches until the card is taken out, and it stays claimed so long */
const hold = z.boolean();
const taking = { device: deviceName, mayUnmount: z.boolean(), confirm: typed.nullable(), hold };

/** What can be asked of the station that takes longer than a look. */
export const jobOrder = z.discriminatedUnion('kind', [
  z.strictObject({ kind: z.literal('write'), ...taking, image, node: nodeForm.nullable() }),
  z.strictObject({ kind: z.literal('personalize'), ...taking, node: nodeForm }),
  z.strictObject({ kind: z.literal('foresee'), device: deviceName, node: nodeForm }),
  z.strictObject({
    kind: z.literal('verify'),
    device: deviceName,
    recordId: recordNumber.nullable(),
    image: image.nullable(),
  }),
  z.strictObject({
    kind: z.literal('batch'),
    plan: planForm,
    /** by the node's name */
    materials: z.record(z.string().max(4096), materials),
    image,
    only: z.array(z.string().max(4096)).max(1000),
    again: z.array(z.string().max(4096)).max(1000),
    readers: z.array(deviceName).max(100),
    /** is there somebody who can be asked? */
    canAsk: z.boolean(),
  }),
]);

export type JobOrder = z.infer<typeof jobOrder>;
export type OrderOfKind<Kind extends JobOrder['kind']> = Extract<JobOrder, { kind: Kind }>;
export type NodeForm = z.infer<typeof nodeForm>;
export type ImageOrder = z.infer<typeof image>;

/** The node as a job takes it; null where the plan has no such node. */
export function nodeRequestOf({ plan, node: name, materials: sent }: NodeForm): NodeRequest | null {
  const node = plan.nodes.find((one) => one.name === name);
  return node ? { plan, node, materials: materialsOf({ [name]: sent }) } : null;
}

/** Files and keys as they came along, by the node's name. */
export function materialsOf(sent: Record<string, NodeForm['materials']>): PlanMaterials {
  const unpacked = Object.entries(sent).map(
    ([name, { digests, contents, hostKeys }]): [string, NodeMaterials] => {
      const bytes = Object.entries(contents).map(([path, text]): [string, Uint8Array] => [
        path,
        Buffer.from(text, 'base64'),
      ]);
      return [name, { digests: new Map(Object.entries(digests)), contents: new Map(bytes), hostKeys }];
    },
  );
  return materialsInHand(new Map(unpacked));
}
