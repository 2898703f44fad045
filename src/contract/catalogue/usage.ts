import type { CatalogueEntry } from './entry.ts';

export const usageCodes = {
  'usage.unknown-command': {
    exit: 'usage',
    what: 'There is no command {command}.',
    next: 'For the commands, run cardwright --help.',
  },
  'usage.unknown-option': {
    exit: 'usage',
    what: 'There is no option {option} here.',
    next: 'For the options, run cardwright {command} --help; nothing was done.',
  },
  'usage.missing-argument': {
    exit: 'usage',
    what: '{argument} is missing.',
    next: 'For the form, run cardwright {command} --help; nothing was done.',
  },
  'usage.excess-argument': {
    exit: 'usage',
    what: 'One argument too many: {argument}.',
    next: 'Leave it out, or put a name with spaces in quotes; nothing was done.',
  },
  'usage.bad-value': {
    exit: 'usage',
    what: '{option} cannot be {value}: expected {expected}.',
    next: 'Give {option} another value; nothing was done.',
  },
  'usage.conflicting-options': {
    exit: 'usage',
    what: '{option} and {other} do not go together: {reason}.',
    next: 'Leave one of them out; nothing was done.',
  },
  'usage.file-unreadable': {
    exit: 'usage',
    what: 'The file {path} cannot be read ({errno}).',
    next: 'Check its name and that you, not only root, may read it; nothing was done.',
  },
  'usage.file-in-the-way': {
    exit: 'usage',
    what: '{path} is there already and {why}.',
    next: 'Move it away, or name another file with --out; nothing was done.',
  },
  'usage.file-not-written': {
    exit: 'usage',
    what: 'The file {path} cannot be written ({errno}).',
    next: 'Check that its folder is there, that you may write in it, and that it has room; what stood there before is still there.',
  },
  'usage.needs-root': {
    exit: 'usage',
    what: 'Only root can open disks for writing and install the daemon, and this is user {user}.',
    next: 'Run the same command with sudo; nothing was done.',
  },
  'usage.no-terminal': {
    exit: 'approvalMissing',
    what: 'There is no terminal to ask at: {question}.',
    next: 'Give the answer with {option}, or run the command in a terminal; nothing was written.',
  },
  'usage.phrase-on-command-line': {
    exit: 'usage',
    what: 'A phrase does not belong on the command line, where every user of this machine can read it.',
    next: 'Take another phrase, and give it when asked or through a descriptor (--from-fd).',
  },
  'usage.bad-phrase': {
    exit: 'usage',
    what: 'This phrase will not do: {why}.',
    next: 'Take another one; nothing was made of it.',
  },
  'usage.phrases-differ': {
    exit: 'usage',
    what: 'The second time it was another phrase.',
    next: 'Run the command again; nothing was made of it.',
  },
  'usage.unexpected': {
    exit: 'unexpected',
    what: 'Something failed that this program did not foresee: {reason}.',
    next: 'Do not use a card that was being written; keep this output and report it as a fault of the program.',
  },
} as const satisfies Record<string, CatalogueEntry>;
