import * as fs from 'node:fs';

/** Where the program lies once it is in use: its own folder (with `dist` in it), and the Node that runs it. */
export interface ProgramPlaces {
  home: string;
  node: string;
}

/** One file that installing lays down; paths are absolute, as the system that runs it sees them. */
export interface LaidFile {
  path: string;
  text: string;
  /** its owner edits it: a copy that differs is kept without a word of blame */
  isOwners: boolean;
}

export const sockets = ['station', 'look', 'write', 'administer'].map((name) => `cardwright-${name}.socket`);
export const services = ['station', 'front'].map((name) => `cardwright-${name}.service`);

const unitsFolder = '/etc/systemd/system';
export const sysusersFile = '/etc/sysusers.d/cardwright.conf';
export const tmpfilesFile = '/etc/tmpfiles.d/cardwright.conf';
const policyFile = '/etc/cardwright/policy.yaml';

const template = (name: string) => fs.readFileSync(new URL(`./units/${name}`, import.meta.url), 'utf8');

/** All that is laid down, with the program's places filled in. */
export function laidFiles(places: ProgramPlaces): LaidFile[] {
  const file = (path: string, name: string, isOwners = false) => ({
    path,
    text: fillPlaces(template(name), places),
    isOwners,
  });
  return [
    ...[...sockets, ...services].map((name) => file(`${unitsFolder}/${name}`, name)),
    file(sysusersFile, 'cardwright.sysusers'),
    file(tmpfilesFile, 'cardwright.tmpfiles'),
    file(policyFile, 'policy.yaml', true),
  ];
}

/** A path within quotes of a unit's setting (systemd.syntax(7), systemd.service(5), "Command lines"). */
const quoted = (path: string) => path.replace(/[\\"]/g, '\\$&').replaceAll('%', '%%').replaceAll('$', '$$$$');

function fillPlaces(text: string, { home, node }: ProgramPlaces): string {
  return text.replaceAll('@HOME@', () => quoted(home)).replaceAll('@NODE@', () => quoted(node));
}
