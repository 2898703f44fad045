import type { CatalogueEntry } from './entry.ts';

export const recordsCodes = {
  'records.cannot-open': {
    exit: 'recordsUnusable',
    what: 'The records in {path} cannot be opened: {why}.',
    next: 'Check that the folder exists, belongs to you and may be written, or name another place with --records.',
  },
  'records.not-writable': {
    exit: 'recordsUnusable',
    what: 'The records in {path} cannot be written: {why}.',
    next: 'Put the records into a folder that may be written; no job starts without them.',
  },
  'records.not-a-database': {
    exit: 'recordsUnusable',
    what: '{path} is not a database.',
    next: 'If --records names the wrong file, correct it. Otherwise move the file away; a new one is begun without the old records.',
  },
  'records.other-database': {
    exit: 'recordsUnusable',
    what: '{path} is a database of another program.',
    next: 'Name the right file with --records. Nothing in it was changed.',
  },
  'records.newer': {
    exit: 'recordsUnusable',
    what: 'The records in {path} have layout {found}; this version knows layouts up to {known}.',
    next: 'Use the newer version that wrote them. Nothing in the file was changed.',
  },
  'records.damaged': {
    exit: 'recordsUnusable',
    what: 'The records in {path} are damaged: {why}.',
    next: 'Copy the file and the files beside it away, keep the copy, and start with a new one. Cards already made are not affected.',
  },
  'records.entry-damaged': {
    exit: 'recordsUnusable',
    what: 'Not as it was stored: {why}.',
    next: 'Do not go by this entry; the other ones can be used.',
  },
  'records.disk-full': {
    exit: 'recordsUnusable',
    what: 'There is no room left for the records in {path}; the last entry was not kept.',
    next: 'Free some space there and run the command again. Everything acknowledged before is still recorded.',
  },
  'records.io-failed': {
    exit: 'recordsUnusable',
    what: 'Reading or writing the records in {path} failed: {why}.',
    next: 'Look at the disk that holds the records before you go on; the last entry may not have been kept.',
  },
  'records.busy': {
    exit: 'recordsUnusable',
    what: 'Another process has kept the records in {path} locked for {seconds} s.',
    next: 'Wait for the other command to end, then try again.',
  },
  'records.failed': {
    exit: 'recordsUnusable',
    what: 'The records in {path} refused an entry: {why}.',
    next: 'This is a fault of the program: please report it with this message.',
  },
  'records.no-such-record': {
    exit: 'usage',
    what: 'There is no record {record}.',
    next: 'List what there is with `cardwright records`.',
  },
  'records.no-such-batch': {
    exit: 'usage',
    what: 'There is no batch {batch} in the records.',
    next: 'Run the batch anew: what is done is recognised and not made again.',
  },
  'records.no-batch-yet': {
    exit: 'usage',
    what: 'No batch is recorded here.',
    next: 'Make a set with `cardwright batch PLAN`; each batch can be told of afterwards.',
  },
  'records.wrong-step': {
    exit: 'unexpected',
    what: 'Record {record} is "{state}" and cannot be made "{wanted}".',
    next: 'This is a fault of the program: please report it with this message. Run verify before you use the card.',
  },
  'records.phase-not-entered': {
    exit: 'unexpected',
    what: 'Record {record} cannot end the phase {phase}: it was never entered.',
    next: 'This is a fault of the program: please report it with this message.',
  },
  'records.no-good-check': {
    exit: 'verificationFailed',
    what: 'Record {record} stays unconfirmed: its last check is not a good one.',
    next: 'Run verify on the card; if it finds differences, write the card again.',
  },
  'records.unknown-finding': {
    exit: 'done',
    what: 'A finding that this version does not know: {code}.',
    next: 'Read this record with the version that wrote it.',
  },
} as const satisfies Record<string, CatalogueEntry>;
