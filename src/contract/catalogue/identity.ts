import type { CatalogueEntry } from './entry.ts';

export const identityCodes = {
  'identity.no-way-in': {
    exit: 'personalizationFailed',
    what: 'No way in found, so nothing can give this card a name or a key: {why}.',
    next: '{wayOut} Without a plan, this one can be written as it is.',
  },
  'identity.mechanism-cannot-carry': {
    exit: 'personalizationFailed',
    what: 'The plan asks for {asked}, and this image’s first-boot mechanism ({mechanism}) cannot carry that{why}.',
    next: '{wayOut}',
  },
  'identity.nobody-gets-in': {
    exit: 'personalizationFailed',
    what: 'The plan gives {user} neither a key nor a password hash: nobody could get in.',
    next: 'Add access.authorizedKeys (or access.passwordHash) to the plan.',
  },
  'identity.host-key-unusable': {
    exit: 'personalizationFailed',
    what: 'The host keys kept in {path} cannot be used: {why}.',
    next: 'Put that right; or move the pair away, then the node gets new keys and its clients will ask.',
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
  'identity.host-key-unit-off': {
    exit: 'done',
    what: '{unit} in the image makes new SSH host keys when a node starts for the first time; where host keys are made here, it is switched off before it runs.',
    next: 'Nothing to do: the node keeps the host key that was recorded.',
  },
  'identity.host-key-not-promised': {
    exit: 'done',
    what: 'The host key cannot be promised on this image: {unit} makes new ones when a node starts, and it cannot be switched off from here ({why}).',
    next: 'Compare the key after the first boot, or disable {unit} in a copy of the image.',
  },
  'identity.host-key-unsure': {
    exit: 'done',
    what: 'Whether the image makes new host keys when a node starts is not known: {why}.',
    next: 'Compare the node’s host key after its first boot.',
  },
  'identity.file-unreadable': {
    exit: 'done',
    what: 'The card carries an identity file that makes no sense: {reason}.',
    next: 'Go by the records, or write the card anew.',
  },
  'identity.file-unmakeable': {
    exit: 'personalizationFailed',
    what: 'The card’s identity file cannot be made: {reason}.',
    next: 'Put fewer files into the plan.',
  },
  'identity.cannot-take-off': {
    exit: 'personalizationFailed',
    what: 'The boot volume carries the files of a node already, and {file} does not say which they are: {reason}.',
    next: 'Write the original image anew; or, if these files belong to the image, remove {file} from a copy of it.',
  },
  'identity.name-by-kernel-line': {
    exit: 'done',
    what: 'The name goes onto the kernel line of cmdline.txt (systemd.hostname=), since marker files carry none.',
    next: 'After the first boot, see with rollcall that the node answers under its name.',
  },
  'identity.first-boot-files-too-large': {
    exit: 'personalizationFailed',
    what: 'The files that the node makes at its first boot have {sizeBytes} bytes together; at most {mostBytes} are carried.',
    next: 'Put large ones into the boot volume (files), and have a command move them.',
  },
  'identity.wifi-country-later': {
    exit: 'done',
    what: 'The image has no kernel line to put the radio’s country ({country}) on, and whether its network settings know one is not known: the country holds from the node’s second start on.',
    next: 'If the network is not found, let it use channels 1 to 11, or start the node once more.',
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
