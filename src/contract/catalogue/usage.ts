import type { CatalogueEntry } from './entry.ts';

export const usageCodes = {
  'usage.unknown-command': {
    exit: 'usage',
    what: 'there is no command {command}',
    next: 'cardwright --help lists the commands',
  },
  'usage.unknown-option': {
    exit: 'usage',
    what: 'there is no option {option} here',
    next: 'cardwright {command} --help lists the options; nothing was done',
  },
  'usage.missing-argument': {
    exit: 'usage',
    what: '{argument} is missing',
    next: 'cardwright {command} --help shows the form; nothing was done',
  },
  'usage.excess-argument': {
    exit: 'usage',
    what: 'one argument too many: {argument}',
    next: 'leave it out, or put a name with spaces in quotes; nothing was done',
  },
  'usage.bad-value': {
    exit: 'usage',
    what: '{option} cannot be {value}: expected {expected}',
    next: 'give {option} another value; nothing was done',
  },
  'usage.conflicting-options': {
    exit: 'usage',
    what: '{option} and {other} do not go together: {reason}',
    next: 'leave one of them out; nothing was done',
  },
  'usage.file-unreadable': {
    exit: 'usage',
    what: 'the file {path} cannot be read ({errno})',
    next: 'check its name and that you, not only root, may read it; nothing was done',
  },
  'usage.device-not-found': {
    exit: 'usage',
    what: 'there is no disk, link or reader called {device}',
    next: 'cardwright devices lists the readers and what is in them; put the card in and look again',
  },
  'usage.needs-root': {
    exit: 'usage',
    what: 'disks can only be opened for writing by root, and this is user {user}',
    next: 'run the same command with sudo; nothing was done',
  },
  'usage.no-terminal': {
    exit: 'approvalMissing',
    what: 'there is no terminal to ask at: {question}',
    next: 'give the answer with {option}, or run the command in a terminal; nothing was written',
  },
  'usage.program-missing': {
    exit: 'usage',
    what: 'the program {program} is needed for {purpose} and is not installed',
    next: 'install it (Debian package {package}) and run the command again; nothing was done',
  },
  'usage.nothing-to-do': {
    exit: 'nothingToDo',
    what: 'there is nothing to do: {reason}',
    next: 'nothing; to do it once more all the same, say so with {option}',
  },
  'usage.unexpected': {
    exit: 'unexpected',
    what: 'something failed that this program did not foresee: {reason}',
    next: 'do not use a card that was being written; keep this output and report it as a fault of the program',
  },
} as const satisfies Record<string, CatalogueEntry>;
