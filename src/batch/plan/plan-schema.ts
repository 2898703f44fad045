import { z } from 'zod';

const image = z
  .strictObject({
    file: z.string().describe('Path of the image, from the folder of the plan'),
    sha256: z.string().optional().describe('SHA-256 of the image file as stored, 64 hexadecimal digits'),
    sums: z.string().optional().describe('Path of a SHA256SUMS file that lists the image'),
    signature: z.string().optional().describe('Path of a detached signature over the sums file'),
    keyring: z.string().optional().describe('Path of the keyring that the signature is checked with'),
  })
  .describe('What is written to every card, and how it is known to be the right thing');

const access = z
  .strictObject({
    user: z.string().describe('The user who may log in, e.g. grower'),
    authorizedKeys: z
      .array(z.string())
      .default(() => [])
      .describe('Public keys: paths of .pub files from the folder of the plan, or whole key lines'),
    passwordHash: z
      .string()
      .optional()
      .describe('crypt(5) hash such as mkpasswd makes; without it nobody logs in by password'),
  })
  .describe('Who gets in');

const network = z
  .strictObject({
    gateway: z.string().optional().describe('Address of the router, e.g. 192.0.2.1'),
    nameservers: z
      .array(z.string())
      .default(() => [])
      .describe('Addresses of name servers'),
  })
  .describe('For nodes with an address of their own; the others ask the network (DHCP)');

const node = z
  .strictObject({
    name: z.string().describe('Host name: letters a-z, digits, hyphens'),
    slot: z.string().optional().describe('Where the node sits, as it stands on its label, e.g. "A1"'),
    role: z.string().optional().describe('What the node is for; shown and put on the label'),
    address: z
      .string()
      .optional()
      .describe('Address with prefix length, e.g. 192.0.2.11/24; without it DHCP'),
    files: z
      .record(z.string(), z.string())
      .default(() => ({}))
      .describe('More files for the boot volume: name there, then path from the folder of the plan'),
  })
  .describe('One computer to be made');

/** The shape of a plan file. What the values mean together is checked elsewhere (checks/). */
export const planSchema = z
  .strictObject({
    plan: z.literal(1).describe('Version of this layout'),
    set: z.string().describe('Name of the whole set, e.g. orchard'),
    image: image.optional(),
    access,
    hostKeys: z
      .enum(['create', 'image'])
      .default('create')
      .describe('create: SSH host keys are made here and recorded; image: left to the image'),
    network: network.default(() => ({ nameservers: [] })),
    unmount: z
      .enum(['ask', 'yes'])
      .default('ask')
      .describe('May volumes of a card that are mounted be unmounted without asking?'),
    overwrite: z
      .enum(['ask', 'any'])
      .default('ask')
      .describe('May cards with something on them be overwritten without asking?'),
    nodes: z.array(node).min(1).describe('The nodes, in the order in which their cards are made'),
  })
  .describe('One image and the nodes that are made from it');

export type PlanFile = z.output<typeof planSchema>;

/** The same as a JSON Schema (draft 2020-12), for editors that complete and check YAML. */
export function planJsonSchema(): Record<string, unknown> {
  return { title: 'Plan', ...z.toJSONSchema(planSchema, { io: 'input', target: 'draft-2020-12' }) };
}
