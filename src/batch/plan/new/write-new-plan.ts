import { stringify } from 'yaml';
import { addressesFrom, type NewPlan } from './new-plan.ts';

/** A text as YAML takes it, in quotes where it must be. */
const quoted = (text: string) => stringify(text, { lineWidth: 0 }).trimEnd();

/** In one line within brackets: there, a comma or a bracket ends a plain text. */
const inFlow = (text: string) => (/^[\w./-]+$/.test(text) ? quoted(text) : JSON.stringify(text));

/** The new plan as text: what was answered, and in comments what else there is to say. */
export function writeNewPlan(plan: NewPlan): string {
  return [
    '# yaml-language-server: $schema=plan.schema.json',
    '# Editors that complete YAML know the keys from that file: cardwright plan --schema > plan.schema.json',
    '',
    'plan: 1',
    `set: ${quoted(plan.set)}`,
    '',
    ...imageLines(plan),
    ...accessLines(plan),
    '# SSH host keys are made here and recorded, so that the first connection is already trusted.',
    'hostKeys: create',
    '# A folder that keeps them, so that a replacement card is the same node:',
    '# hostKeyFolder: host-keys',
    '',
    ...networkLines(plan),
    '# Clock and language, as the image has them unless they are given:',
    '# system: { timezone: Europe/Madrid, locale: en_GB.UTF-8 }',
    '',
    '# Cards with something on them are asked about, one by one; "any" overwrites them unasked.',
    'overwrite: ask',
    '',
    ...nodeLines(plan),
  ].join('\n');
}

function imageLines({ image }: NewPlan): string[] {
  if (image === null) {
    return [
      '# What is written to every card; its path counts from the folder of this file.',
      '# image: { file: node-os.img.xz }',
      '',
    ];
  }
  return [
    '# What is written to every card; its path counts from the folder of this file. With the checksum that its maker',
    '# publishes, a damaged or foreign image is refused: sha256: 64 hexadecimal digits, or sums: a SHA256SUMS file.',
    'image:',
    `  file: ${quoted(image)}`,
    '  # sha256: ',
    '',
  ];
}

function accessLines({ user, keys }: NewPlan): string[] {
  return [
    '# Who gets in, and by which public keys. Nobody logs in by password unless there is a passwordHash, which',
    '# cardwright password makes.',
    'access:',
    `  user: ${quoted(user)}`,
    `  authorizedKeys: [${keys.map(inFlow).join(', ')}]`,
    '',
  ];
}

function networkLines({ firstAddress, gateway }: NewPlan): string[] {
  if (firstAddress === null || gateway === null) {
    return [
      '# Every node asks the network for its address (DHCP). A node with an address of its own also needs:',
      '# network: { gateway: 192.0.2.1, nameservers: [192.0.2.1] }',
      '',
    ];
  }
  return [
    '# For nodes with an address of their own; one without asks the network (DHCP).',
    'network:',
    `  gateway: ${gateway}`,
    `  nameservers: [${gateway}]`,
    '',
  ];
}

function nodeLines({ stem, count, firstAddress }: NewPlan): string[] {
  const digits = Math.max(2, String(count).length);
  const addresses = firstAddress === null ? [] : addressesFrom(firstAddress, count);
  const nodes = Array.from({ length: count }, (_, at) => {
    const name = `${stem}-${String(at + 1).padStart(digits, '0')}`;
    const address = addresses[at] === undefined ? '' : `, address: ${addresses[at]}`;
    return `  - { name: ${name}, slot: ${JSON.stringify(`A${at + 1}`)}${address} }`;
  });
  return [
    '# One line for each node, in the order in which their cards are made. The slot is what its label says; there may be',
    '# a role, too, and files of its own.',
    'nodes:',
    ...nodes,
    '',
  ];
}
