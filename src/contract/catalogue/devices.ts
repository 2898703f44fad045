import type { CatalogueEntry } from './entry.ts';

const lookAtList = 'Run `cardwright devices --all` to see every disk and reader, and name one of those.';

/** What can be wrong with the name of a device. `device` is always the name as it was typed. */
export const devicesCodes = {
  'devices.not-a-name': {
    exit: 'usage',
    what: '"{device}" names no device: expected a node (/dev/sdb), a link to one, or a reader\'s port (usb:1-2).',
    next: lookAtList,
  },
  'devices.nothing-there': {
    exit: 'usage',
    what: 'There is nothing at {device}.',
    next: lookAtList,
  },
  'devices.not-a-block-device': {
    exit: 'usage',
    what: '{device} should be a disk, and is a {found}.',
    next: lookAtList,
  },
  'devices.unreadable': {
    exit: 'refused',
    what: 'What {device} is cannot be found out ({why}).',
    next: 'Run the command with the rights to look at it, as root for example.',
  },
  'devices.is-partition': {
    exit: 'refused',
    what: '{device} is a partition of {disk}; a card is always written as a whole disk.',
    next: 'If that disk is the card you mean, name {disk}.',
  },
  'devices.not-listed': {
    exit: 'refused',
    what: '{device} ({numbers}) is not among the disks of this machine: no card is in it, or it has just changed.',
    next: 'Put a card in, wait a moment, and run the command again.',
  },
  'devices.port-empty': {
    exit: 'refused',
    what: 'No card is in {device}.',
    next: 'Put a card in and run the command again.',
  },
  'devices.module-waits': {
    exit: 'refused',
    what: 'A module is waiting in boot mode at {device} ({usbId}): it shows no disk yet.',
    next: "Start its maker's USB boot program; then its storage appears.",
  },
  'devices.port-ambiguous': {
    exit: 'usage',
    what: 'Several cards are in {device}: {choices}.',
    next: 'Name the slot as well, as in that list.',
  },
} as const satisfies Record<string, CatalogueEntry>;
