import type { CatalogueEntry } from './entry.ts';

/**
 * Mistakes carry the facts `file`, `line` and `column`, which whoever shows them puts in front; the sentences leave
 * them out. No fact ever holds a password, a hash or any part of a key.
 */
export const planCodes = {
  'plan.mistakes': {
    exit: 'usage',
    what: '{path} has {count} {noun}.',
    next: 'Correct the plan, then run cardwright plan --check {path}; nothing was done.',
  },
  'plan.unreadable': {
    exit: 'usage',
    what: 'The plan {path} cannot be read ({errno}).',
    next: 'Check its name and that you, not only root, may read it; nothing was done.',
  },
  'plan.not-a-file': {
    exit: 'usage',
    what: 'The plan {path} is not a plain file.',
    next: 'Name the YAML file itself; nothing was done.',
  },
  'plan.too-large': {
    exit: 'usage',
    what: '{path} has {sizeBytes} bytes; a plan has at most {mostBytes}.',
    next: 'See that this is the plan and not an image; nothing was done.',
  },
  'plan.not-text': {
    exit: 'usage',
    what: '{path} is not UTF-8 text.',
    next: 'Save the plan as UTF-8, or see that this is the right file; nothing was done.',
  },
  'plan.no-such-node': {
    exit: 'usage',
    what: 'There is no node {node} in {path}{hint}.',
    next: 'Name one of these: {names}.',
  },
  'plan.already-there': {
    exit: 'usage',
    what: '{path} is there already, and is not written over.',
    next: 'Give the new plan another name; nothing was done.',
  },
  'plan.not-written': {
    exit: 'usage',
    what: 'The plan {path} could not be written ({errno}).',
    next: 'See that its folder exists and may be written; there is no new plan.',
  },
  'plan.no-terminal': {
    exit: 'usage',
    what: 'A new plan is made by asking a few questions, and there is no terminal to ask at.',
    next: 'Run it in a terminal, or write the plan by hand; cardwright plan --schema says what may stand in it.',
  },
  'plan.left-unwritten': {
    exit: 'cancelled',
    what: 'The questions were broken off.',
    next: 'Run the command again when you like; nothing was written.',
  },
  'plan.not-yaml': {
    exit: 'usage',
    what: 'This is not YAML: {why}.',
    next: 'Correct this place and what stands just before it.',
  },
  'plan.too-complex': {
    exit: 'usage',
    what: 'No plan looks like this: {why}.',
    next: 'Write the nodes out one after the other, as in cardwright plan --new.',
  },
  'plan.not-a-map': {
    exit: 'usage',
    what: 'A plan is a list of keys with their values; this is {found}.',
    next: 'Begin with the line "plan: 1"; cardwright plan --new writes a plan to start from.',
  },
  'plan.duplicate-key': {
    exit: 'usage',
    what: 'The key {key} is there twice; the first is in line {first}.',
    next: 'Keep one of them.',
  },
  'plan.bad-key': {
    exit: 'usage',
    what: 'The key of this entry is {found}, not a word.',
    next: 'Put a word in front of the colon, in quotes if it must be.',
  },
  'plan.unknown-key': {
    exit: 'usage',
    what: 'There is no key {key} in {where}{hint}.',
    next: 'Correct or remove it; known here are {known}.',
  },
  'plan.missing-key': {
    exit: 'usage',
    what: 'The key {key} is missing in {where}.',
    next: 'Add {key}.',
  },
  'plan.no-value': {
    exit: 'usage',
    what: 'The key {key} in {where} has no value.',
    next: 'Give it one, or remove the line.',
  },
  'plan.wrong-type': {
    exit: 'usage',
    what: '{key} in {where} must be {expected}, not {found}.',
    next: '{fix}',
  },
  'plan.wrong-version': {
    exit: 'usage',
    what: 'This is a plan of version {found}; this program reads version 1.',
    next: 'Write "plan: 1", or use the version of the program that the plan was made for.',
  },
  'plan.bad-choice': {
    exit: 'usage',
    what: '{key} in {where} cannot be {value}.',
    next: 'Choose one of {choices}.',
  },
  'plan.no-nodes': {
    exit: 'usage',
    what: 'The plan has no nodes.',
    next: 'Add at least one: - { name: orchard-01 }.',
  },
  'plan.bad-set-name': {
    exit: 'usage',
    what: 'The set cannot be called {name}: {why}.',
    next: 'Use up to 63 letters, digits, dots, hyphens and underscores, a letter or digit first.',
  },
  'plan.bad-node-name': {
    exit: 'usage',
    what: 'A node cannot be called {name}: {why}.',
    next: 'Use letters a-z, digits and hyphens, like orchard-01.',
  },
  'plan.duplicate-name': {
    exit: 'usage',
    what: 'Two nodes are called {name}; the first is in line {first}.',
    next: 'Give each node a name of its own; capitals make no difference.',
  },
  'plan.bad-label': {
    exit: 'usage',
    what: '{key} in {where} will not do: {why}.',
    next: 'Use up to {most} characters in one line.',
  },
  'plan.duplicate-slot': {
    exit: 'usage',
    what: 'Two nodes have the slot {slot}; the first is in line {first}.',
    next: 'Give each node a slot of its own.',
  },
  'plan.bad-user': {
    exit: 'usage',
    what: 'The user cannot be called {user}: {why}.',
    next: 'Use up to 32 letters a-z, digits and hyphens, a letter first, like grower.',
  },
  'plan.bad-node-address': {
    exit: 'usage',
    what: 'The address {address} of {where} will not do: {why}.',
    next: 'Give address and prefix length, like 192.0.2.11/24, or remove it for an address from the network (DHCP).',
  },
  'plan.duplicate-address': {
    exit: 'usage',
    what: 'Two nodes have the address {address}; the first is in line {first}.',
    next: 'Give each node an address of its own.',
  },
  'plan.bad-server-address': {
    exit: 'usage',
    what: '{key} cannot be {address}: {why}.',
    next: 'Give one plain address, like 192.0.2.1.',
  },
  'plan.gateway-elsewhere': {
    exit: 'usage',
    what: 'The gateway {gateway} does not lie in the network of {where}, {address}: it could not be reached.',
    next: 'Correct the gateway, or the address and its prefix length.',
  },
  'plan.gateway-taken': {
    exit: 'usage',
    what: 'The address {address} of {where} is that of the gateway.',
    next: 'Give the node another address.',
  },
  'plan.nobody-gets-in': {
    exit: 'usage',
    what: 'access has neither authorizedKeys nor passwordHash: nobody could log in.',
    next: 'Add authorizedKeys: [keys/{user}.pub] with the path of a public key.',
  },
  'plan.private-key': {
    exit: 'usage',
    what: '{what} is a private key, where a public one belongs.',
    next: 'Name the file that ends in .pub. If the private key was copied or sent for this, make a new pair.',
  },
  'plan.bad-public-key': {
    exit: 'usage',
    what: '{what} is not a public key that can be used: {why}.',
    next: 'Name a .pub file as ssh-keygen makes it: one line with type, key and comment.',
  },
  'plan.bad-password-hash': {
    exit: 'usage',
    what: 'passwordHash will not do: {why}.',
    next: 'Put the output of mkpasswd -m sha512crypt there, in single quotes, or remove passwordHash.',
  },
  'plan.missing-file': {
    exit: 'usage',
    what: '{key} in {where}: {path} cannot be read ({errno}).',
    next: 'Correct the path; it counts from the folder of the plan.',
  },
  'plan.not-a-plain-file': {
    exit: 'usage',
    what: '{key} in {where}: {path} is not a plain file.',
    next: 'Name the file itself.',
  },
  'plan.bad-sha256': {
    exit: 'usage',
    what: 'sha256 will not do: {why}.',
    next: 'Copy all 64 digits 0-9 and a-f from the image’s maker.',
  },
  'plan.conflicting-sums': {
    exit: 'usage',
    what: 'The image has both sha256 and sums.',
    next: 'Keep one: sha256 for a digest, sums for a file that lists digests.',
  },
  'plan.incomplete-signature': {
    exit: 'usage',
    what: 'The image has {given} without {missing}.',
    next: 'A signature is checked over the sums file with a keyring: give sums, signature and keyring, or sums alone.',
  },
  'plan.bad-file-name': {
    exit: 'usage',
    what: 'No file in the boot volume can be called {name}: {why}.',
    next: 'Give a plain name, or a path from the root of the boot volume with forward slashes.',
  },
  'plan.duplicate-file-name': {
    exit: 'usage',
    what: '{where} has two files for {name}; the first is in line {first}.',
    next: 'Give them different names; capitals make no difference on the boot volume.',
  },
  'plan.duplicate-node-file': {
    exit: 'usage',
    what: '{where} makes {name} twice at first boot; the first is in line {first}.',
    next: 'Keep one of them.',
  },
  'plan.bad-setting': {
    exit: 'usage',
    what: '{key} will not do: {why}.',
    next: '{fix}',
  },
  'plan.bad-template': {
    exit: 'usage',
    what: 'The template {path} cannot be filled in for {node}: {why}.',
    next: 'Use node.name, node.slot, node.role, node.ip, node.variables.NAME, set, user and network, or name the file under files, where nothing is filled in.',
  },
  'plan.no-wifi': {
    exit: 'usage',
    what: 'The address of {where} belongs to the radio, but the plan has no wireless network.',
    next: 'Add wifi to network, or link the node by wire.',
  },
  'plan.needs-password': {
    exit: 'usage',
    what: '{key} in access asks for a password, and there is none.',
    next: 'Add passwordHash, or remove {key}.',
  },
  'plan.no-keys-made': {
    exit: 'usage',
    what: '{key} says how host keys are made, but hostKeys leaves them to the image.',
    next: 'Write "hostKeys: create", or remove {key}.',
  },
} as const satisfies Record<string, CatalogueEntry>;
