import type { CatalogueEntry } from './entry.ts';

const tryAnotherReader = 'Try it once more in another reader; if it fails there too, throw the card away.';
const smallerThanItSays = 'Throw this card away: it is smaller than it says, and loses data without a word.';

/** Facts that stand for a place are bytes from the start of the card. */
export const jobCodes = {
  'job.mismatch': {
    exit: 'verificationFailed',
    what: 'Read back differs in {places} place(s), {bytes} bytes in all, the first at byte {offset}.',
    next: tryAnotherReader,
  },
  'job.damage-stable': {
    exit: 'verificationFailed',
    what: 'Read again {times} times, the same wrong bytes each time: damaged cells, not a loose contact.',
    next: tryAnotherReader,
  },
  'job.damage-unstable': {
    exit: 'verificationFailed',
    what: 'Read again {times} times, not the same bytes each time: a loose contact, a weak reader or worn-out cells.',
    next: 'Wipe the contacts and try once more in another reader; if it fails there too, throw the card away.',
  },
  'job.damage-dropped': {
    exit: 'verificationFailed',
    what: 'The places that differ read as zeros, {times} times out of {times}: the card said "written" and wrote nothing.',
    next: 'Throw this card away: it can no longer be written everywhere, and does not say so.',
  },
  'job.damage-wrapped': {
    exit: 'verificationFailed',
    what: 'The places that differ hold what was written elsewhere: the card starts over at its real size.',
    next: smallerThanItSays,
  },
  'job.damage-forgotten': {
    exit: 'verificationFailed',
    what: 'Nothing that lies towards the end was kept: the card forgets what is past its real size.',
    next: smallerThanItSays,
  },
  'job.damage-stale': {
    exit: 'verificationFailed',
    what: 'The places that differ hold older data: writes to them never arrived, or the reader answers from a memory of its own.',
    next: tryAnotherReader,
  },
  'job.head-not-zero': {
    exit: 'verificationFailed',
    what: 'What was cleared, the first MiB and what lies past the image at the end, does not read as zeros, first at byte {offset}.',
    next: 'Do not use this card, it may start something that nobody wrote; try once more in another reader.',
  },
  'job.files-differ': {
    exit: 'verificationFailed',
    what: "The node's files do not read back as they were written: {files}.",
    next: tryAnotherReader,
  },
  'job.seal-not-read-back': {
    exit: 'verificationFailed',
    what: 'Everything else is right, but the first sectors do not read back as written (at byte {offset}).',
    next: 'Do not use this card; try it once more in another reader, and if it fails there too, throw it away.',
  },
  'job.worker-died': {
    exit: 'writeFailed',
    what: 'The process that works on the card ended too early: {how}.',
    next: 'Do not use this card as it is; start the job anew, and report it if this happens again.',
  },
  'job.worker-not-started': {
    exit: 'unexpected',
    what: 'The process that works on the card could not be started: {how}.',
    next: 'Report this as a fault of the program or of its installation.',
  },
  'job.identity-changed': {
    exit: 'cardLost',
    what: 'The disk in {reader} is not the one that was approved: {difference}.',
    next: 'Run cardwright devices, look at what is in the reader now, and approve that anew.',
  },
  'job.reader-hangs': {
    exit: 'done',
    what: 'The reader still owes an answer to what it was asked, so the card stays claimed until it gives one.',
    next: 'Take the card out; if the disk stays in use after that, unplug the reader.',
  },
  'job.cancelled': {
    exit: 'cancelled',
    what: 'The job was cancelled before its end.',
    next: 'Start the job anew when you are ready.',
  },
  'job.no-record': {
    exit: 'recordsUnusable',
    what: 'The card was written and read back, but its record could not be stored ({reason}).',
    next: 'Make room or mend the record store, then run cardwright verify on this card with the image.',
  },
  'job.image-changed': {
    exit: 'imageRejected',
    what: 'The image gave other bytes than the ones that were checked: expected {expected}, found {found}.',
    next: 'Make sure that nothing is still writing to the image, then start the job anew.',
  },
  'job.image-unreadable': {
    exit: 'imageRejected',
    what: 'The image could not be read at byte {offset} ({errno}).',
    next: 'Look after the disk or share that the image is on, then start the job anew.',
  },
  'job.short-image': {
    exit: 'imageRejected',
    what: 'The image ended after {found} bytes where {expected} were expected.',
    next: 'Fetch the image again, compare its checksum, then start the job anew.',
  },
  'job.long-image': {
    exit: 'imageRejected',
    what: 'The image went on after the {expected} bytes that were expected.',
    next: 'Fetch the image again, compare its checksum, then start the job anew.',
  },
  'job.damaged-range': {
    exit: 'verificationFailed',
    what: '{length} bytes from byte {offset} on ({where}).',
    next: tryAnotherReader,
  },
  'job.card-changed': {
    exit: 'verificationFailed',
    what: 'The card is no longer as record {record} left it: {places} place(s) differ, the first at byte {offset}.',
    next: 'A card that was started once writes on itself: write it anew, or verify it to see what changed; nothing was written.',
  },
  'job.worker-failed': {
    exit: 'unexpected',
    what: 'The process that works on the card met something it did not foresee: {text}.',
    next: 'Do not use a card that was being written; keep this output and report it as a fault of the program.',
  },
  'job.not-make-believe': {
    exit: 'refused',
    what: '{path} is not a plain file, and a rehearsal touches nothing else.',
    next: 'Name another folder with --folder; nothing was written.',
  },
  'job.no-boot-volume': {
    exit: 'personalizationFailed',
    what: 'The image has no FAT volume that a first boot would read, so {node} cannot be given its files.',
    next: 'Write the image without a plan, or take an image that has a FAT boot volume; nothing was written.',
  },
  'job.no-finished-record': {
    exit: 'nothingToDo',
    what: 'No finished record speaks of the card in {reader}, so nobody can tell what it should hold.',
    next: 'Name the record with --record, or compare the card with an image by --image.',
  },
  'job.record-without-map': {
    exit: 'recordsUnusable',
    what: 'Record {record} keeps no digest map: it is {state}.',
    next: 'Choose another record, or compare the card with its image by --image.',
  },
  'job.disk-refused': {
    exit: 'refused',
    what: '{node} in {reader} must not be written.',
    next: 'Look at the reasons; cardwright devices lists every disk. Nothing was opened for writing.',
  },
  'job.needs-unmount': {
    exit: 'refused',
    what: '{node} has mounted volumes ({mounts}), and nobody agreed to unmounting them.',
    next: 'Give --unmount if these may go, or unmount them yourself; nothing was written.',
  },
  'job.card-busy': {
    exit: 'refused',
    what: 'Another job of this station is writing to {node} now; nobody looks into a card meanwhile.',
    next: 'Wait until that job has ended.',
  },
  'job.unmount-failed': {
    exit: 'refused',
    what: '{mount} could not be unmounted ({reason}).',
    next: 'Close the programs that use it and run the command again; nothing was written.',
  },
  'job.content-unreadable': {
    exit: 'refused',
    what: '{node} cannot be read ({reason}), so its approval code cannot be made.',
    next: 'Run the command as root; if that is what you did, the card cannot be read: try another reader.',
  },
  'job.padded-last-sector': {
    exit: 'done',
    what: 'The image ends inside a sector: {bytes} zero bytes were added to fill it.',
    next: 'Nothing: the image is whole.',
  },
} as const satisfies Record<string, CatalogueEntry>;
