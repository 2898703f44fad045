import type { Carried, FirstBootMechanism, MechanismFacts } from '../contract/identity.ts';
import type { RootFacts } from '../contract/root-facts.ts';
import { nameProgram } from './first-boot-program.ts';

export const carriedNames: Readonly<Record<Carried, string>> = {
  hostName: 'host name',
  domain: 'domain',
  authorizedKeys: 'authorized keys',
  password: 'password',
  sudo: 'sudo',
  network: 'network',
  wifi: 'wireless',
  hostKeys: 'host keys',
  timezone: 'time zone',
  locale: 'locale',
  files: 'files on the node',
  commands: 'commands',
};

const kinds = Object.keys(carriedNames) as Carried[];

/** The modules of cloud-init that do it; all of them are needed (cloud-init, "Module reference"). */
const modulesFor: Partial<Record<Carried, string[]>> = {
  hostName: ['set_hostname'],
  domain: ['set_hostname'],
  authorizedKeys: ['users_groups'],
  password: ['users_groups'],
  sudo: ['users_groups'],
  hostKeys: ['ssh'],
  timezone: ['timezone'],
  locale: ['locale'],
  files: ['write_files'],
  commands: ['runcmd', 'scripts_user'],
};

function onlyThese(...these: Carried[]): Record<Carried, boolean> {
  return Object.fromEntries(kinds.map((kind) => [kind, these.includes(kind)])) as Record<Carried, boolean>;
}

/** What a mechanism carries as such, whatever the image. */
export function carriedBy(mechanism: FirstBootMechanism): MechanismFacts['carries'] {
  if (mechanism === 'none') return onlyThese();
  // The name by the kernel line; marker files have room for a user and a password alone (common practice, no source).
  if (mechanism === 'marker-files') return onlyThese('hostName', 'password');
  return onlyThese(...kinds);
}

function whyNoNetwork({ settings, renderer }: RootFacts): string | null {
  if (settings.networkIsOff)
    return 'the image’s own settings tell the first-boot program to leave the network alone';
  return renderer === null
    ? 'no program that carries out network settings was found in the root volume'
    : null;
}

/** Wireless settings reach netplan alone; other programs drop them (cloud-init 22.4.2, cloudinit/net/network_state.py). */
function whyNoWifi({ renderer, hasWifiProgram }: RootFacts): string | null {
  if (renderer !== 'netplan')
    return `the first-boot program hands wireless settings to netplan alone, and here it uses ${renderer}`;
  return hasWifiProgram ? null : 'no program that joins wireless networks was found in the root volume';
}

function whyNoModule(kind: Carried, { settings, program }: RootFacts): string | null {
  const missing = (modulesFor[kind] ?? []).find((name) => settings.modules?.includes(name) === false);
  return missing === undefined ? null : `${nameProgram(program)} is set up without its module ${missing}`;
}

/**
 * What a NoCloud image does not carry although NoCloud could, and why, by what its root volume says.
 * @param readsNetwork why network settings are not read from where the node's files are; null where they are
 */
export function whyNotCarried(root: RootFacts, whyNetworkUnread: string | null): MechanismFacts['because'] {
  const because: MechanismFacts['because'] = {};
  const network = whyNetworkUnread ?? whyNoNetwork(root);
  if (network !== null) because.network = network;
  const wifi = network ?? whyNoWifi(root);
  if (wifi !== null) because.wifi = wifi;
  if (!root.hasZones) because.timezone = 'the root volume has no descriptions of time zones (tzdata)';
  if (!root.hasLocalePrograms) because.locale = 'the root volume has no programs that make locales (locales)';
  for (const kind of kinds) {
    const why = whyNoModule(kind, root);
    if (why !== null) because[kind] = why;
  }
  return because;
}
