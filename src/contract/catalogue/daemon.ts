import type { CatalogueEntry } from './entry.ts';

export const daemonCodes = {
  'daemon.bad-request': {
    exit: 'usage',
    what: 'The request makes no sense: {why}.',
    next: 'Compare it with the description that the daemon serves at /v1/openapi.json; nothing was done.',
  },
  'daemon.no-such-thing': {
    exit: 'usage',
    what: 'There is no {what} here.',
    next: 'Compare the address with the description that the daemon serves at /v1/openapi.json.',
  },
  'daemon.not-allowed': {
    exit: 'refused',
    what: 'This takes the right to {needed}, and the request came with the right to {held}.',
    next: 'Ask whoever looks after this station to put you into the group of that right; nothing was done.',
  },
  'daemon.station-away': {
    exit: 'unexpected',
    what: 'The part of the daemon that owns the readers does not answer: {why}.',
    next: 'Look at its log (journalctl -u cardwright-station), or work without it: sudo cardwright --direct.',
  },
  'daemon.front-away': {
    exit: 'unexpected',
    what: 'The daemon hung up: {why}.',
    next: 'Jobs go on without you: see cardwright jobs. If the daemon is gone, see its log (journalctl -u cardwright-front).',
  },
  'daemon.not-understood': {
    exit: 'unexpected',
    what: 'An answer could not be understood: {why}.',
    next: 'Use a command line and a daemon of the same version.',
  },
  'daemon.busy': {
    exit: 'unexpected',
    what: 'The daemon takes no more of this now: {what}.',
    next: 'Wait until some of it is done, then try again; nothing was done.',
  },
  'daemon.none-here': {
    exit: 'usage',
    what: 'No daemon answers on this station, or not to this user.',
    next: 'Start it (sudo cardwrightd), or ask whoever looks after this station for the right to write.',
  },
  'daemon.no-such-job': {
    exit: 'usage',
    what: 'There is no job {job} that is yours.',
    next: 'See cardwright jobs. A job that ended long ago, or before the daemon was started anew, is in cardwright records.',
  },
  'daemon.no-such-upload': {
    exit: 'usage',
    what: 'The image was not sent to the daemon, or is no longer kept there.',
    next: 'Run the command once more: it sends the image anew. Nothing was done.',
  },
  'daemon.upload-refused': {
    exit: 'usage',
    what: 'The daemon does not take this piece of the image: {why}.',
    next: 'Run the command once more: it goes on with what is missing. Nothing was done.',
  },
  'daemon.no-room': {
    exit: 'refused',
    what: 'The daemon has no room for the image: it takes {bytes} bytes, and {room} bytes are left for it.',
    next: 'Make room where the daemon keeps images (see DEVELOPERS.md), or wait until older ones have expired.',
  },
  'daemon.no-such-group': {
    exit: 'usage',
    what: 'The policy names the group {group}, and this machine has none of that name.',
    next: 'Make it (addgroup --system {group}), or name another in the policy under groups.',
  },
} as const satisfies Record<string, CatalogueEntry>;
