import * as z from 'zod';
import type { NodeRequest } from '../../job/station/order-edit.ts';
import { materialsInHand } from '../../job/station/plan-materials.ts';
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

/** A node with all that makes it itself: what the plan only names came along. */
const nodeForm = z.strictObject({
  plan: planForm,
  /** one of the plan's */
  node: z.string().max(4096),
  /** contents by the path that the plan has for them */
  files: z.record(z.string().max(4096), z.base64()),
  hostKeys: z.array(hostKey).max(2),
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
]);

export type JobOrder = z.infer<typeof jobOrder>;
export type OrderOfKind<Kind extends JobOrder['kind']> = Extract<JobOrder, { kind: Kind }>;
export type NodeForm = z.infer<typeof nodeForm>;
export type ImageOrder = z.infer<typeof image>;

/** The node as a job takes it; null where the plan has no such node. */
export function nodeRequestOf({ plan, node: name, files, hostKeys }: NodeForm): NodeRequest | null {
  const node = plan.nodes.find((one) => one.name === name);
  if (!node) return null;
  const contents = Object.entries(files).map(([path, text]): [string, Uint8Array] => [
    path,
    Buffer.from(text, 'base64'),
  ]);
  return { plan, node, materials: materialsInHand(new Map(contents), new Map([[name, hostKeys]])) };
}
