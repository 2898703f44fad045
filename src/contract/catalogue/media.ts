import type { CatalogueEntry } from './entry.ts';

/** `card` is what the disk calls itself, `reader` its place ("usb:1-2"), `errno` the kernel's name ("EIO"). */
export const mediaCodes = {
  'media.busy': {
    exit: 'refused',
    what: '{card} in {reader} is in use and cannot be claimed alone; held by {holder}',
    next: 'end what holds it, or take the card out and put it in again, then run the command again',
  },
  'media.open-failed': {
    exit: 'writeFailed',
    what: '{card} in {reader} cannot be opened for writing ({errno})',
    next: 'take the card out and put it in again; if it has a lock switch, slide it towards the contacts',
  },
  'media.no-direct-io': {
    exit: 'refused',
    what: '{card} in {reader} does not take direct I/O ({errno}), so nothing read back from it would prove anything',
    next: 'use another reader',
  },
  'media.read-failed': {
    exit: 'verificationFailed',
    what: 'reading {length} bytes at byte {offset} of {card} failed ({errno})',
    next: 'do not use this card; try once more in another reader, and throw the card away if it fails there too',
  },
  'media.write-failed': {
    exit: 'writeFailed',
    what: 'writing {length} bytes at byte {offset} of {card} failed ({errno})',
    next: 'do not use this card; try once more in another reader, and throw the card away if it fails there too',
  },
  'media.flush-failed': {
    exit: 'writeFailed',
    what: '{card} did not confirm that it keeps what was written, up to byte {offset} ({errno})',
    next: 'do not use this card; try once more in another reader, and throw the card away if it fails there too',
  },
  'media.short-io': {
    exit: 'writeFailed',
    what: '{operation} of {length} bytes at byte {offset} of {card} ended after {completed} bytes',
    next: 'do not use this card; take it out, put it in again and start the job anew',
  },
  'media.gone': {
    exit: 'cardLost',
    what: '{card} left {reader} at byte {offset} ({errno})',
    next: 'put the card back, run cardwright devices for its new code, and start the job anew',
  },
  'media.changed': {
    exit: 'cardLost',
    what: 'the card in {reader} is no longer the one that was approved: {difference}',
    next: 'take out both cards; write neither down as finished, then put in the right one and start anew',
  },
  'media.counter-not-kept': {
    exit: 'done',
    what: 'the kernel keeps no count of sectors read for {node}, so that check of the read-back was left out',
    next: 'nothing for this card; to have the check, write 1 to the queue/iostats of the disk in sysfs',
  },
  'media.counter-did-not-move': {
    exit: 'verificationFailed',
    what: 'the kernel counts {found} sectors read from {node}, fewer than the {expected} that were checked: memory answered, not the card',
    next: 'do not use this card; take it out, put it in again and run cardwright verify',
  },
  'media.false-size': {
    exit: 'verificationFailed',
    what: '{card} does not hold what it claims: {places} of {probed} places did not keep what was written, the first at byte {offset}',
    next: 'throw this card away: it is smaller than it says, and loses data without a word',
  },
  'media.stall': {
    exit: 'done',
    what: '{card} in {reader} has completed nothing for {seconds} s',
    next: 'wait; some cards pause for a while. To give up, cancel: the card is then not to be used',
  },
} as const satisfies Record<string, CatalogueEntry>;
