import type { CatalogueEntry } from './entry.ts';

/** What keeps a roll call from being called; how the nodes stand is no error and has words of its own. */
export const rollcallCodes = {
  'rollcall.no-keys': {
    exit: 'usage',
    what: 'There is nothing to compare host keys with: {why}.',
    next: 'Run the same command with sudo where the cards were written with sudo, or give --keys FILE, such as a known_hosts file that --known-hosts wrote.',
  },
  'rollcall.bad-keys-file': {
    exit: 'usage',
    what: 'Line {line} of {path} is no known_hosts line with plain names: {why}.',
    next: 'Give a file that --known-hosts wrote; nothing was asked.',
  },
  'rollcall.not-ours': {
    exit: 'usage',
    what: '{path} was not made by this command for the set {set}: {why}.',
    next: 'Name a file that does not exist yet, or remove that one yourself; nothing was asked and nothing written.',
  },
  'rollcall.not-written': {
    exit: 'unexpected',
    what: '{path} could not be written ({errno}).',
    next: 'See that its folder exists and may be written; the file is as it was before.',
  },
} as const satisfies Record<string, CatalogueEntry>;
