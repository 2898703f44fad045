import * as z from 'zod';

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
    sshPassword: z
      .boolean()
      .optional()
      .describe('May the password be used over SSH, too? Only where there are no keys, unless it says so'),
    sudo: z
      .enum(['free', 'password', 'none'])
      .default('free')
      .describe('How the user becomes root: freely, with the password, or not at all'),
  })
  .describe('Who gets in');

const wifi = z
  .strictObject({
    name: z.string().describe('Name of the wireless network (SSID)'),
    key: z
      .string()
      .optional()
      .describe('Derived key, 64 hexadecimal digits; the phrase itself never stands in a plan'),
    phraseFile: z
      .string()
      .optional()
      .describe('Path of a file with the phrase, which only its owner can read; the key is derived from it'),
    country: z
      .string()
      .describe('Two letters of the country where the node stands, e.g. ES; its radio needs them'),
    hidden: z.boolean().default(false).describe('Does the network keep its name to itself?'),
  })
  .describe('The wireless network');

const network = z
  .strictObject({
    gateway: z.string().optional().describe('Address of the router, e.g. 192.0.2.1'),
    nameservers: z
      .array(z.string())
      .default(() => [])
      .describe('Addresses of name servers'),
    domain: z.string().optional().describe('Domain of the nodes, e.g. orchard.example.org'),
    wifi: wifi.optional(),
  })
  .describe('For nodes with an address of their own; the others ask the network (DHCP)');

const system = z
  .strictObject({
    timezone: z.string().optional().describe('Time zone, e.g. Europe/Madrid'),
    locale: z.string().optional().describe('Language and signs, e.g. en_GB.UTF-8'),
  })
  .describe('Clock and language of the nodes');

const words = (text: string) =>
  z
    .array(z.string())
    .default(() => [])
    .describe(text);

const bootFiles = (text: string) =>
  z
    .record(z.string(), z.string())
    .default(() => ({}))
    .describe(text);

const boot = z
  .strictObject({
    kernelLine: z
      .strictObject({
        add: words('Arguments to be there, each one word, e.g. cgroup_enable=memory'),
        remove: words('Arguments to be gone: whole, or up to and with the equals sign for any value'),
      })
      .default(() => ({ add: [], remove: [] }))
      .describe('Arguments in the kernel command line file'),
    firmware: words('Lines of the firmware’s settings file, e.g. dtparam=watchdog=on'),
  })
  .default(() => ({ kernelLine: { add: [], remove: [] }, firmware: [] }))
  .describe('Settings in the boot volume’s own files; a node’s come after the set’s');

const firstBootFile = z.strictObject({
  path: z.string().describe('Where the node keeps it, e.g. /etc/orchard/gate.conf'),
  from: z.string().describe('Path from the folder of the plan'),
  mode: z.string().default('0644').describe('Rights in octal'),
  owner: z.string().default('root:root').describe('User and group on the node'),
  template: z.boolean().default(false).describe('Are {{ names }} in it filled in?'),
});

const firstBoot = z
  .strictObject({
    files: z
      .array(firstBootFile)
      .default(() => [])
      .describe('Files that the node makes when it starts for the first time'),
    commands: words('Commands that the node’s shell runs once, in this order'),
  })
  .default(() => ({ files: [], commands: [] }))
  .describe('What a node does when it starts for the first time; a node’s comes after the set’s');

const extras = {
  files: bootFiles('More files for the boot volume: name there, then path from the folder of the plan'),
  templates: bootFiles('The same, with {{ node.name }} and the like filled in'),
  boot,
  firstBoot,
};

const node = z
  .strictObject({
    name: z.string().describe('Host name: letters a-z, digits, hyphens'),
    slot: z.string().optional().describe('Where the node sits, as it stands on its label, e.g. "A1"'),
    role: z.string().optional().describe('What the node is for; shown and put on the label'),
    address: z
      .string()
      .optional()
      .describe('Address with prefix length, e.g. 192.0.2.11/24; without it DHCP'),
    link: z
      .enum(['wired', 'wifi'])
      .optional()
      .describe('The port that the address belongs to; wifi where the plan has a wireless network'),
    variables: z
      .record(z.string(), z.string())
      .default(() => ({}))
      .describe('Texts for templates: {{ node.variables.NAME }}'),
    ...extras,
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
    hostKeyTypes: z
      .array(z.enum(['ed25519', 'rsa']))
      .min(1)
      .default(() => ['ed25519' as const])
      .describe('Kinds of host keys that are made here'),
    hostKeyFolder: z
      .string()
      .optional()
      .describe('Folder that keeps the private host keys, so that a replacement card is the same node'),
    network: network.default(() => ({ nameservers: [] })),
    system: system.default(() => ({})),
    seedVolume: z
      .enum(['none', 'far-end'])
      .default('none')
      .describe('far-end: a small volume for the first-boot files is made at the card’s end'),
    ...extras,
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
