import type { CatalogueEntry } from './entry.ts';

const tryAnotherReader = 'try it once more in another reader; if it fails there too, throw it away';

/** `where` is a place in words: "partition 2", "outside the partitions". */
export const jobCodes = {
  'job.mismatch': {
    exit: 'verificationFailed',
    what: 'read back differs in {places} place(s), {bytes} bytes in all, the first at byte {offset} ({where})',
    next: tryAnotherReader,
  },
  'job.damage-stable': {
    exit: 'verificationFailed',
    what: 'read again {times} times, the same wrong bytes each time: damaged cells, not a loose contact',
    next: tryAnotherReader,
  },
  'job.damage-unstable': {
    exit: 'verificationFailed',
    what: 'read again {times} times, other bytes each time: a loose contact, a weak reader or worn-out cells',
    next: 'wipe the contacts and try once more in another reader; if it fails there too, throw the card away',
  },
  'job.damage-dropped': {
    exit: 'verificationFailed',
    what: 'the card still holds what stood there before: it answered "written" and wrote nothing',
    next: 'throw this card away: it can no longer be written, and does not say so',
  },
  'job.damage-wrapped': {
    exit: 'verificationFailed',
    what: 'byte {offset} holds what was written at byte {other}: the card starts over at its real size',
    next: 'throw this card away: it is smaller than it says',
  },
  'job.damage-forgotten': {
    exit: 'verificationFailed',
    what: 'nothing from byte {offset} on was kept: the card forgets what lies past its real size',
    next: 'throw this card away: it is smaller than it says',
  },
  'job.damage-stale': {
    exit: 'verificationFailed',
    what: 'the reader answered with older data first and with the right bytes later: it keeps a cache of its own',
    next: 'use another reader for this card and write it anew; do not trust this reader',
  },
  'job.head-not-zero': {
    exit: 'verificationFailed',
    what: 'the first MiB had to read as zeros before the seal and does not, first at byte {offset}',
    next: 'do not use this card, it may start something that nobody wrote; try once more in another reader',
  },
  'job.files-differ': {
    exit: 'verificationFailed',
    what: "the node's files do not read back as written: {files}",
    next: tryAnotherReader,
  },
  'job.seal-not-read-back': {
    exit: 'verificationFailed',
    what: 'everything else is right, but the first sectors do not read back as written, first at byte {offset}',
    next: 'do not use this card; try it once more in another reader, since its first sectors are worn',
  },
  'job.worker-died': {
    exit: 'writeFailed',
    what: 'the process that was writing ended too early, in phase {phase} ({reason})',
    next: 'do not use this card as it is; start the job anew, and report this if it happens again',
  },
  'job.worker-not-started': {
    exit: 'unexpected',
    what: 'the process that writes could not be started ({reason})',
    next: 'report this as a fault of the program or of its installation; the card needs no care',
  },
  'job.identity-changed': {
    exit: 'cardLost',
    what: 'the disk in {reader} changed between {earlier} and {later}: {difference}',
    next: 'run cardwright devices, look at what is in the reader now, and approve that anew',
  },
  'job.cancelled': {
    exit: 'cancelled',
    what: 'cancelled in phase {phase}',
    next: 'start the job anew when you are ready; until then do not use this card',
  },
  'job.interrupted': {
    exit: 'writeFailed',
    what: 'an earlier job on this card was cut off in phase {phase} (record {record})',
    next: 'start the job anew; until then do not use this card',
  },
  'job.no-record': {
    exit: 'recordsUnusable',
    what: 'the card was written and read back, but its record could not be stored ({reason})',
    next: 'make room or repair the record store, then run cardwright verify with the image on this card',
  },
  'job.image-changed': {
    exit: 'imageRejected',
    what: '{image} gave other bytes than the ones that were checked: expected {expected}, found {found}',
    next: 'make sure nothing is still writing to the image, then start the job anew; do not use this card',
  },
  'job.short-image': {
    exit: 'imageRejected',
    what: '{image} ended after {found} bytes where {expected} were expected',
    next: 'fetch the image again, compare its checksum, then start the job anew; do not use this card',
  },
  'job.padded-last-sector': {
    exit: 'done',
    what: 'the image ends inside a sector: {bytes} zero bytes were added to fill it',
    next: 'nothing, the image is whole',
  },
} as const satisfies Record<string, CatalogueEntry>;
