import * as z from 'zod';
import type { Plan } from '../../contract/plan.ts';

/** No text of a plan is longer than this; most are far shorter. */
const text = z.string().max(4096);
const texts = z.array(text).max(1000);
const variables = z.record(text, text);

const bootFile = z.strictObject({ path: text, source: text, template: z.boolean() });
const nodeFile = bootFile.extend({ mode: text, owner: text });

const node = z.strictObject({
  name: text.min(1),
  slot: text.nullable(),
  role: text.nullable(),
  address: text.nullable(),
  link: z.enum(['wired', 'wifi']),
  variables,
  files: z.array(bootFile).max(1000),
  boot: z.strictObject({
    kernelLine: z.strictObject({ add: texts, remove: texts }),
    firmware: texts,
  }),
  firstBoot: z.strictObject({ files: z.array(nodeFile).max(1000), commands: texts }),
});

/**
 * A checked plan as it travels (`Plan`). Its paths are the sender's: names under which the files came along, and nothing
 * that is opened here.
 */
export const planForm = z.strictObject({
  path: text,
  set: text.min(1),
  image: z
    .strictObject({
      file: text,
      sha256: text.nullable(),
      sums: text.nullable(),
      signature: text.nullable(),
      keyring: text.nullable(),
    })
    .nullable(),
  access: z.strictObject({
    user: text,
    authorizedKeys: z.array(z.string().max(16_384)).max(1000),
    passwordHash: text.nullable(),
    sshPassword: z.boolean(),
    sudo: z.enum(['free', 'password', 'none']),
  }),
  hostKeys: z.enum(['create', 'image']),
  hostKeyTypes: z.array(z.enum(['ed25519', 'rsa'])).max(2),
  hostKeyFolder: text.nullable(),
  network: z.strictObject({
    gateway: text.nullable(),
    nameservers: texts,
    domain: text.nullable(),
    wifi: z.strictObject({ name: text, key: text, country: text, hidden: z.boolean() }).nullable(),
  }),
  system: z.strictObject({ timezone: text.nullable(), locale: text.nullable() }),
  seedVolume: z.enum(['none', 'far-end']),
  unmount: z.enum(['ask', 'yes']),
  overwrite: z.enum(['ask', 'any']),
  nodes: z.array(node).min(1).max(1000),
}) satisfies z.ZodType<Plan>;
