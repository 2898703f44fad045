import type { CatalogueEntry } from './entry.ts';

const useAnother = 'Choose another disk; nothing lifts this.';

/** What stands on the disk (rules 2 and 4). */
const useCodes = {
  'guard.mounted-elsewhere': {
    exit: 'refused',
    what: '{disk} is in use: it holds {what} through {through}, and that is no place where cards are mounted.',
    next: 'If the system needs it, choose another disk. If it is a card you mounted there yourself, unmount {what} and try again.',
  },
  'guard.mount-stacked': {
    exit: 'refused',
    what: '{disk} is in use: it holds {what} through {through}, which is more than a plain card volume.',
    next: 'Choose another disk, or unmount {what} and take down what stands between yourself.',
  },
  'guard.mounted-in-other-namespace': {
    exit: 'refused',
    what: '{disk} is in use: another part of the system, with mounts of its own, has {on} mounted at {what}.',
    next: 'End the container or service that uses it, or choose another disk.',
  },
  'guard.mount-carries-another': {
    exit: 'refused',
    what: '{disk} is in use: {on} is mounted at {what}, and something of another disk is mounted on it or inside it.',
    next: 'Unmount what lies on or inside {what} yourself, then try again.',
  },
  'guard.swap': {
    exit: 'refused',
    what: '{disk} is in use: it holds swap ({what}) through {through}.',
    next: useAnother,
  },
  'guard.stacked': {
    exit: 'refused',
    what: '{disk} is in use: {what} stands on it through {through}.',
    next: 'Choose another disk, or take {what} down yourself if nothing needs it.',
  },
  'guard.btrfs-member': {
    exit: 'refused',
    what: '{disk} is in use: it is a member of {what} through {through}.',
    next: 'Choose another disk, or unmount that file system yourself if nothing needs it.',
  },
  'guard.boot-chain': {
    exit: 'refused',
    what: '{disk} belongs to the way this machine starts: {what} through {through}.',
    next: useAnother,
  },
  'guard.configured': {
    exit: 'refused',
    what: 'This machine is set up to use {on} on {disk}: {what}.',
    next: 'Choose another disk. If that entry (fstab, crypttab) is out of date, remove it first.',
  },
  'guard.loop-on-it': {
    exit: 'refused',
    what: '{disk} is in use: {what} stands on it as a loop device, through {through}.',
    next: 'Detach the loop device (losetup -d) or choose another disk.',
  },
  'guard.held-open': {
    exit: 'refused',
    what: '{disk} is in use: {on} is held open by {what}.',
    next: 'End that program or virtual machine, or choose another disk.',
  },
} as const satisfies Record<string, CatalogueEntry>;

/** What sort of disk it is (rules 1, 7 and 8). */
const kindCodes = {
  'guard.partition': {
    exit: 'refused',
    what: '{disk} is a part of {whole}, not a whole disk.',
    next: 'Name the whole disk, {whole}, if that is the card.',
  },
  'guard.hidden': {
    exit: 'refused',
    what: '{disk} is hidden by the kernel and cannot be opened.',
    next: useAnother,
  },
  'guard.kind-unknown': {
    exit: 'refused',
    what: 'It could not be found out what kind of disk {disk} is.',
    next: 'Put the card into another reader.',
  },
  'guard.not-a-card': {
    exit: 'refused',
    what: '{disk} is {kind}, not a card.',
    next: useAnother,
  },
  'guard.loop-not-named': {
    exit: 'refused',
    what: '{disk} is a loop device that this station’s policy does not name.',
    next: 'For a trial, have its path put under allowDevices in the policy.',
  },
  'guard.transport-not-allowed': {
    exit: 'refused',
    what: '{disk} is {kind}; this station does not write such disks (policy: {source}).',
    next: 'Use a reader on USB or a card slot, or have this one disk named under allowDevices in the policy.',
  },
  'guard.named-in-policy': {
    exit: 'done',
    what: '{disk} is {kind}, and may be written only because the policy {source} names it: {entry}.',
    next: 'Make sure that it is the disk you mean.',
  },
  'guard.loop-file-unknown': {
    exit: 'refused',
    what: '{disk} is a loop device, and the file behind it could not be found out.',
    next: 'Attach it again to a plain file (losetup).',
  },
  'guard.loop-over-disk': {
    exit: 'refused',
    what: '{disk} is a loop device over another disk, {backingFile}.',
    next: 'Attach it to a plain file, or name the disk itself.',
  },
  'guard.loop-file-shared': {
    exit: 'refused',
    what: 'The file behind {disk}, {backingFile}, is used by something else as well: {tenant}.',
    next: 'Take the other use down, or attach the loop device to a file of its own.',
  },
  'guard.boot-area': {
    exit: 'refused',
    what: '{disk} is a boot area or protected area of an eMMC module; writing it can make the board useless.',
    next: 'Name the module’s main disk, if that is the card.',
  },
  'guard.soldered': {
    exit: 'refused',
    what: '{disk} is an eMMC module of this machine’s own board.',
    next: 'If it is meant to be written, have its CID put under allowDevices in the policy.',
  },
  'guard.fixed-disk': {
    exit: 'refused',
    what: '{disk} is {kind}, a fixed disk of this machine.',
    next: 'If it is meant to be written, have its by-id link put under allowDevices in the policy.',
  },
  'guard.hardwired': {
    exit: 'refused',
    what: '{disk} is a USB disk built into this machine, without a medium that can be taken out.',
    next: 'If it is meant to be written, have its by-id link put under allowDevices in the policy.',
  },
  'guard.fixed-but-named': {
    exit: 'done',
    what: '{disk} is {kind} built into this machine, and may be written only because the policy {source} names it: {entry}.',
    next: 'Make sure that it is the disk you mean.',
  },
  'guard.too-large': {
    exit: 'refused',
    what: '{disk} has {diskBytes} bytes, more than the {limitBytes} this station writes (policy: {source}).',
    next: 'Use a smaller card, or have maxSizeBytes raised in the policy.',
  },
} as const satisfies Record<string, CatalogueEntry>;

/** Whether card and image suit each other (rule 6), and what could not be seen (rule 11). */
const fitCodes = {
  'guard.no-medium': {
    exit: 'refused',
    what: '{disk} has no size: there is no card in it, or the card does not answer.',
    next: 'Put a card in, or take it out and put it in again.',
  },
  'guard.read-only': {
    exit: 'refused',
    what: '{disk} is write-protected.',
    next: 'Take the card out and move its small slider away from LOCK; a card that protects itself is worn out.',
  },
  'guard.too-small': {
    exit: 'refused',
    what: '{disk} is too small by {missingBytes} bytes: it has {diskBytes}, the image needs {imageBytes}.',
    next: 'Use a larger card.',
  },
  'guard.too-small-for-seed': {
    exit: 'refused',
    what: '{disk} is too small by {missingBytes} bytes: it has {diskBytes}, the image needs {imageBytes} and the seed volume behind it {seedBytes}.',
    next: 'Use a larger card, or an image that needs no seed volume.',
  },
  'guard.image-size-unknown': {
    exit: 'refused',
    what: 'It is not known how large the image is when unpacked, so it cannot be said whether it fits {disk}.',
    next: 'Have the image inspected first, which unpacks it once.',
  },
  'guard.sector-size': {
    exit: 'refused',
    what: 'The image is laid out for sectors of {sectorBytes} bytes; {disk} works in blocks of {blockBytes}.',
    next: 'Use a card or reader with blocks of {sectorBytes} bytes, or an image made for this one.',
  },
  'guard.image-home': {
    exit: 'refused',
    what: '{disk} is the disk that holds the image file itself.',
    next: 'Copy the image to another disk first, or choose another card.',
  },
  'guard.image-home-unknown': {
    exit: 'refused',
    what: 'It could not be found out on which disk the image file lies; it may be {disk}.',
    next: 'Copy the image to a plain folder of this machine and try again.',
  },
  'guard.fact-unseen': {
    exit: 'refused',
    what: 'Something that has to be known of {disk} could not be seen: {what} ({why}).',
    next: 'Run it with the rights to look (as root); if it stays so, put the card into another reader.',
  },
  'guard.machine-fact-unseen': {
    exit: 'refused',
    what: 'Something that has to be known of this machine could not be seen: {what} ({why}).',
    next: 'Run it with the rights to look (as root). Until then no disk is written.',
  },
  'guard.untraced': {
    exit: 'refused',
    what: 'The running system depends on {what}, and it could not be found out on which disk that lies.',
    next: 'No disk can be written on this machine as it runs now: it might be the one the system stands on.',
  },
} as const satisfies Record<string, CatalogueEntry>;

/** What a person has to agree to, and how they did (rules 2b and 9). */
const approvalCodes = {
  'guard.mounted': {
    exit: 'approvalMissing',
    what: '{disk} is mounted: {on} ({fsType}) at {what}.',
    next: 'Close what you have open there; with --unmount and the code it is unmounted before writing.',
  },
  'guard.archive': {
    exit: 'approvalMissing',
    what: '{disk} looks like somebody’s archive: {on} holds {name} ({type}).',
    next: 'If all of it may be lost, type the code and the name together: CODE:{demanded}.',
  },
  'guard.approval-missing': {
    exit: 'approvalMissing',
    what: 'No approval code was given.',
    next: 'Type the code that is shown beside the disk, or pass it with --confirm.',
  },
  'guard.approval-wrong': {
    exit: 'approvalMissing',
    what: '{typed} is not the code of this disk as it is now: it was mistyped, or the card is not the one it was shown for.',
    next: 'List the devices again, compare the card with the one you mean, and type the code shown then.',
  },
  'guard.approval-name-missing': {
    exit: 'approvalMissing',
    what: 'The disk looks like somebody’s archive, so the code alone is not enough.',
    next: 'If all of it may be lost, type the code and the name together: CODE:{demanded}.',
  },
  'guard.approval-name-wrong': {
    exit: 'approvalMissing',
    what: 'The volume on this disk is called {demanded}, not {typed}.',
    next: 'Make sure that it is the card you mean; then type CODE:{demanded}.',
  },
  'guard.station-key-unusable': {
    exit: 'approvalMissing',
    what: 'The station’s key for approval codes, {path}, cannot be used: {why}.',
    next: 'Put that right, or remove the file: a new key is made, and codes shown before no longer hold.',
  },
} as const satisfies Record<string, CatalogueEntry>;

const policyCodes = {
  'guard.policy-ignored': {
    exit: 'done',
    what: 'The policy {path} is IGNORED, since others than root could have changed it: {why}. The built-in policy holds.',
    next: 'Give the file and every folder above it to root and take the right to write from all others.',
  },
  'guard.policy-missing': {
    exit: 'usage',
    what: 'There is no policy file {path}.',
    next: 'Check the path given with --policy.',
  },
  'guard.policy-unreadable': {
    exit: 'usage',
    what: 'The policy {path} cannot be read: {why}.',
    next: 'Make it readable, or run this as root.',
  },
  'guard.policy-mistakes': {
    exit: 'usage',
    what: 'The policy {path} has mistakes: {count}. Nothing is written under a policy that is not understood.',
    next: 'Correct the places named.',
  },
  'guard.policy-mistake': {
    exit: 'usage',
    what: '{path}, line {line}, column {column}: {what}.',
    next: 'Correct that place.',
  },
} as const satisfies Record<string, CatalogueEntry>;

export const guardCodes = {
  ...useCodes,
  ...kindCodes,
  ...fitCodes,
  ...approvalCodes,
  ...policyCodes,
} as const satisfies Record<string, CatalogueEntry>;
