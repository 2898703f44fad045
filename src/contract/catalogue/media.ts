import type { CatalogueEntry } from './entry.ts';

const tryAnotherReader =
  'Do not use this card; try once more in another reader, and throw the card away if it fails there too.';

/**
 * Facts that stand for a place are bytes from the start of the card; `errno` is the kernel's name ("EIO"). Whoever
 * reports says which card in which reader: the code that meets these knows only an open descriptor.
 */
export const mediaCodes = {
  'media.busy': {
    exit: 'refused',
    what: '{node} cannot be claimed for this job alone: something else uses it ({errno}).',
    next: 'End what uses it, or take the card out and put it in again, then run the command again.',
  },
  'media.open-failed': {
    exit: 'writeFailed',
    what: '{node} cannot be opened for writing ({errno}).',
    next: 'Take the card out, see that its lock switch is towards the contacts, put it in and run the command again.',
  },
  'media.no-direct-io': {
    exit: 'refused',
    what: '{node} takes no direct I/O ({errno}), so nothing read back from it would prove anything.',
    next: 'Use another reader.',
  },
  'media.read-failed': {
    exit: 'verificationFailed',
    what: 'Reading {length} bytes at byte {offset} failed ({errno}).',
    next: tryAnotherReader,
  },
  'media.write-failed': {
    exit: 'writeFailed',
    what: 'Writing {length} bytes at byte {offset} failed ({errno}).',
    next: tryAnotherReader,
  },
  'media.flush-failed': {
    exit: 'writeFailed',
    what: 'The card did not confirm that it keeps what was written ({errno}).',
    next: tryAnotherReader,
  },
  'media.gone': {
    exit: 'cardLost',
    what: 'The card left its reader ({errno}).',
    next: 'Put the card back, run cardwright devices for its new code, and start the job anew.',
  },
  'media.changed': {
    exit: 'cardLost',
    what: 'The card in the reader is no longer the one that was approved: the kernel counts medium {found} there, approved was {expected}.',
    next: 'Take the card out and use neither of the two; put in the right one and start anew.',
  },
  'media.sent-meanwhile': {
    exit: 'cardLost',
    what: 'Up to {bytes} bytes were on their way when the card was changed; they may have been written to the other one.',
    next: 'Whatever was on the other card may be damaged: use it only after looking at it.',
  },
  'media.counter-not-kept': {
    exit: 'done',
    what: 'The kernel keeps no count of what is read from {node}, so its count could not confirm the read-back.',
    next: 'Nothing for this card; to have the count, write 1 to queue/iostats of the disk in sysfs.',
  },
  'media.counter-did-not-move': {
    exit: 'verificationFailed',
    what: 'The kernel counts {found} sectors read where {expected} were checked: memory answered, not the card.',
    next: 'Do not use this card; take it out, put it in again and start the job anew.',
  },
  'media.false-size': {
    exit: 'verificationFailed',
    what: 'The card is smaller than it says: {places} of {of} places did not keep what was written, the first at byte {offset} ({likely}).',
    next: 'Throw this card away: it loses data without a word.',
  },
  'media.probe-damaged': {
    exit: 'verificationFailed',
    what: '{places} of {of} places written to try the card out do not read back as written, the first at byte {offset}.',
    next: tryAnotherReader,
  },
} as const satisfies Record<string, CatalogueEntry>;
