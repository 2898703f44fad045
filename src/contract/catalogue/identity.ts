import type { CatalogueEntry } from './entry.ts';

export const identityCodes = {
  'identity.no-way-in': {
    exit: 'personalizationFailed',
    what: 'No way in found: the boot volume shows no first-boot mechanism that is known here, so nothing can give this card a name or a key.',
    next: 'Use an image that takes NoCloud files (user-data and meta-data), or write this one without a plan.',
  },
  'identity.mechanism-cannot-carry': {
    exit: 'personalizationFailed',
    what: 'The plan asks for {asked}, and this image’s first-boot mechanism ({mechanism}) cannot carry that.',
    next: 'Use an image that takes NoCloud files (user-data and meta-data), or change the plan.',
  },
  'identity.nobody-gets-in': {
    exit: 'personalizationFailed',
    what: 'The plan gives {user} neither a key nor a password hash: nobody could get in.',
    next: 'Add access.authorizedKeys (or access.passwordHash) to the plan.',
  },
  'identity.unmergeable': {
    exit: 'personalizationFailed',
    what: 'The image brings its own {file}, which cannot be merged with the node’s: {why}.',
    next: 'Remove or repair {file} in a copy of the image.',
  },
  'identity.file-clash': {
    exit: 'personalizationFailed',
    what: 'The plan puts {path} into the boot volume, and that name is taken by {by}.',
    next: 'Give the file another name in the plan.',
  },
  'identity.shared-host-keys': {
    exit: 'done',
    what: 'The image brings SSH host keys in its user-data; every card made from it has the same ones.',
    next: 'Put "hostKeys: create" into the plan, so that every node gets its own.',
  },
  'identity.image-access': {
    exit: 'done',
    what: 'The image’s own user-data also lets others in ({settings}); that was left as it is.',
    next: 'Look at the image’s user-data if only the plan’s user should get in.',
  },
  'identity.file-unreadable': {
    exit: 'done',
    what: 'The card carries an identity file that makes no sense: {reason}.',
    next: 'Go by the records, or write the card anew.',
  },
  'identity.name-by-kernel-line': {
    exit: 'done',
    what: 'The name goes onto the kernel line of cmdline.txt (systemd.hostname=), since marker files carry none.',
    next: 'After the first boot, see with rollcall that the node answers under its name.',
  },
  'identity.no-settings-file': {
    exit: 'personalizationFailed',
    what: 'The plan asks for {asked}, and the boot volume has no {file} to put them into.',
    next: 'Take boot out of the plan, or use an image that starts from {file}.',
  },
  'identity.kernel-line-too-long': {
    exit: 'personalizationFailed',
    what: 'The kernel line would have {sizeBytes} bytes; the kernel reads {mostBytes}.',
    next: 'Add fewer arguments, or take some away (boot.kernelLine in the plan).',
  },
} as const satisfies Record<string, CatalogueEntry>;
