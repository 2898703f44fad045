import type { CatalogueEntry } from './entry.ts';

const freshCard = 'Take it out and put in a fresh one.';
const codeOrOther = 'Type its code if all of it may go, or take it out and put in another one.';

export const batchCodes = {
  'batch.card-done': {
    exit: 'done',
    what: '{reader}: this card is already {node} (record {record}); it is not written again.',
    next: freshCard,
  },
  'batch.card-replaced': {
    exit: 'done',
    what: '{reader}: this card was {node} once (record {record}), and {node} was made anew on another since.',
    next: codeOrOther,
  },
  'batch.card-to-redo': {
    exit: 'done',
    what: '{reader}: this card is {node} (record {record}), which is to be made again.',
    next: codeOrOther,
  },
  'batch.other-set': {
    exit: 'done',
    what: '{reader}: this card is {node} of another set, {set}.',
    next: codeOrOther,
  },
  'batch.unrecorded-node': {
    exit: 'done',
    what: '{reader}: this card says that it is {node} of this set, and no finished record here knows of it.',
    next: codeOrOther,
  },
  'batch.failed-before': {
    exit: 'done',
    what: '{reader}: this card failed before, when it was to be {node} (record {record}: {code}).',
    next: 'Better take another card; type its code to give it one more chance.',
  },
  'batch.maybe-failed-before': {
    exit: 'done',
    what: '{reader}: this looks like the card that failed before, when it was to be {node} (record {record}: {code}).',
    next: 'Better take another card; type its code to give it one more chance.',
  },
  'batch.unknown-content': {
    exit: 'done',
    what: '{reader}: nobody here knows what is on this card: {why}.',
    next: codeOrOther,
  },
  'batch.was-there': {
    exit: 'done',
    what: '{reader}: this card was in the reader before the batch began.',
    next: 'Type its code if this is the card you mean.',
  },
  'batch.first-in-reader': {
    exit: 'done',
    what: '{reader}: the first card in this reader.',
    next: 'Type its code; for fresh cards of like size the reader is approved with it.',
  },
  'batch.reader-moved': {
    exit: 'done',
    what: '{reader}: this reader was at {before} when it was approved; an approval does not move along.',
    next: 'Type the code of the card that is in it now.',
  },
  'batch.other-reader': {
    exit: 'done',
    what: '{reader}: another reader hangs at this port than the one that was approved.',
    next: 'Type the code of the card that is in it now.',
  },
  'batch.other-size': {
    exit: 'done',
    what: '{reader}: a card of {sizeBytes} bytes, where the approved one had {approvedBytes}.',
    next: 'Type its code if this is the card you mean.',
  },
  'batch.mounted': {
    exit: 'done',
    what: '{reader}: something on this card is mounted ({mounts}).',
    next: 'Type its code to have it unmounted and written.',
  },
  'batch.swapped': {
    exit: 'done',
    what: '{reader}: the card was changed while it was looked at; nothing was written.',
    next: 'What is in the reader now is looked at anew.',
  },
  'batch.needs-code': {
    exit: 'approvalMissing',
    what: '{reader}: this card needs its code ({code}), and there is no terminal to ask at.',
    next: 'Give --confirm {reader}={code}, or run the batch at a terminal.',
  },
  'batch.code-refused': {
    exit: 'approvalMissing',
    what: '{reader}: that was not the code of this card; nothing was written.',
    next: 'Take it out and put it in again to be asked anew.',
  },
  'batch.left-alone': {
    exit: 'refused',
    what: '{reader}: {node} must not be written and is left alone.',
    next: 'Look at the reasons; cardwright devices lists every disk.',
  },
  'batch.image-home': {
    exit: 'refused',
    what: '{reader}: the image of this batch lies on this disk, so it is left alone.',
    next: 'Put a card into another reader.',
  },
  'batch.module-waiting': {
    exit: 'done',
    what: '{reader}: {name}; it has no storage yet.',
    next: "Start its maker's USB boot program, then its storage appears.",
  },
  'batch.no-longer-matches': {
    exit: 'done',
    what: '{node} is done (record {record}), but the plan has changed since: {areas}.',
    next: 'Make it again with --again {node}, or leave it as it is.',
  },
  'batch.may-be-complete': {
    exit: 'done',
    what: '{node} may be complete: record {record} was cut off during the last sectors.',
    next: 'Settle it with cardwright verify on that card; else it is made again here.',
  },
  'batch.not-staged': {
    exit: 'done',
    what: 'There is no room to keep the unpacked image in {folder}, so it is unpacked anew for every card.',
    next: 'Free {bytes} bytes there to make the batch faster.',
  },
  'batch.nothing-to-do': {
    exit: 'nothingToDo',
    what: 'Every node that was asked for is done already ({count}).',
    next: 'Make one again with --again NODE.',
  },
  'batch.no-image': {
    exit: 'usage',
    what: 'The plan {path} names no image, and a batch takes its image from the plan.',
    next: 'Add an image with its file to the plan.',
  },
  'batch.bad-confirm': {
    exit: 'usage',
    what: 'The option --confirm {value} is not of the form PORT=CODE.',
    next: 'Write it like --confirm usb:1-2=K7QF; cardwright devices shows ports and codes.',
  },
} as const satisfies Record<string, CatalogueEntry>;
