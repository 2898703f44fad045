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
  'daemon.install-in-the-way': {
    exit: 'usage',
    what: '{path} is there already and {why}.',
    next: 'Move it away; settings of your own for a unit belong into a drop-in (systemctl edit). Nothing was done.',
  },
  'daemon.not-installed': {
    exit: 'nothingToDo',
    what: 'Nothing was installed here by this command (there is no {path}).',
    next: 'What came with a package goes with it: remove that.',
  },
  'daemon.still-at-work': {
    exit: 'refused',
    what: 'A card is being worked on (record {record}).',
    next: 'Wait until it is done, then run the command again; nothing was done.',
  },
  'daemon.program-hidden': {
    exit: 'usage',
    what: '{path} lies below {folder}, which is hidden from the part of the daemon that people talk to.',
    next: 'Put the program and its Node where everybody can read them, such as below /opt, and run the command from there.',
  },
  'daemon.program-writable': {
    exit: 'done',
    what: 'The daemon runs {path} as root, and others can change it: {why}.',
    next: 'Give it and the folders above it to root, writable by nobody else, or put the program below /opt.',
  },
  'daemon.program-failed': {
    exit: 'unexpected',
    what: '{program} failed: {why}',
    next: 'See to what it says, then run the same command again: what is done already stays as it is.',
  },
} as const satisfies Record<string, CatalogueEntry>;
