import type { ByteSource } from '../../contract/blocks.ts';
import type { ImageFacts, ImageVolume } from '../../contract/image.ts';
import type { NetworkRenderer, RootFacts, RootLook } from '../../contract/root-facts.ts';
import { ExtUnreadable, type ExtVolume, withExtVolume } from '../ext-volume.ts';
import { boundFiles } from './bounded-files.ts';
import { readFirstBootSettings } from './first-boot-settings.ts';
import { findHostKeyUnits } from './host-key-units.ts';
import { findPrograms } from './program-version.ts';
import { findRootGrowers } from './root-growers.ts';
import { readWantedUnits, type WantedUnit } from './wanted-units.ts';

const mostVolumes = 8;
const offFile = '/etc/cloud/cloud-init.disabled';
const seedFolders = ['/var/lib/cloud/seed/nocloud', '/var/lib/cloud/seed/nocloud-net'];

const inSbin = (name: string) => [`/usr/sbin/${name}`, `/sbin/${name}`];

/** Where cloud-init looks for each of its network programs: one of each group (cloudinit/net/, `available`). */
const rendererFiles: Record<NetworkRenderer, string[][]> = {
  eni: [...['ifquery', 'ifup', 'ifdown'].map(inSbin), ['/etc/network/interfaces']],
  sysconfig: [...['ifup', 'ifdown'].map(inSbin), ['/etc/sysconfig/network-scripts/network-functions']],
  netplan: [inSbin('netplan')],
  'network-manager': [['/usr/bin/nmcli'], ['/etc/NetworkManager/NetworkManager.conf']],
  networkd: [['/usr/lib/systemd/systemd-networkd', '/lib/systemd/systemd-networkd']],
};
/** Its order where the settings give none (cloudinit/net/renderers.py, DEFAULT_PRIORITY). */
const usualOrder: NetworkRenderer[] = ['eni', 'sysconfig', 'netplan', 'network-manager', 'networkd'];
const wifiPrograms = [
  '/usr/sbin/wpa_supplicant',
  '/sbin/wpa_supplicant',
  '/usr/libexec/iwd',
  '/usr/lib/iwd/iwd',
];

function isReadable({ type }: ImageVolume): boolean {
  return type.startsWith('ext');
}

async function isThere(volume: ExtVolume, paths: readonly string[]): Promise<boolean> {
  for (const path of paths) if ((await volume.kind(path)) !== null) return true;
  return false;
}

function isRenderer(name: string): name is NetworkRenderer {
  return name in rendererFiles;
}

async function findRenderer(volume: ExtVolume, wanted: string[] | null): Promise<NetworkRenderer | null> {
  for (const name of wanted?.filter(isRenderer) ?? usualOrder) {
    let isWhole = true;
    for (const group of rendererFiles[name]) isWhole &&= await isThere(volume, group);
    if (isWhole) return name;
  }
  return null;
}

/** On Debian and its kin both are called (cloudinit/distros/debian.py, apply_locale); others write a file alone. */
async function hasLocalePrograms(volume: ExtVolume): Promise<boolean> {
  if (!(await isThere(volume, ['/var/lib/dpkg/status']))) return true;
  const made = await isThere(volume, inSbin('locale-gen'));
  return made && (await isThere(volume, inSbin('update-locale')));
}

/** Folders that fstab(5) mounts FAT volumes on. */
async function readBootFolders(volume: ExtVolume): Promise<string[]> {
  const lines = ((await volume.text('/etc/fstab')) ?? '').split('\n').map((line) => line.trim().split(/\s+/));
  return lines.flatMap(([spec = '', folder = '', type = '']) =>
    !spec.startsWith('#') && ['vfat', 'msdos', 'auto'].includes(type) && folder.startsWith('/')
      ? [folder]
      : [],
  );
}

async function findSeedFolders(volume: ExtVolume): Promise<RootFacts['seedFolders']> {
  const found: RootFacts['seedFolders'] = [];
  for (const path of seedFolders) {
    if (await isThere(volume, [path])) found.push({ path, leadsTo: await volume.target(path) });
  }
  return found;
}

/** By the name of the file that carries user and password (common practice, no source). */
function markerReadersAmong(units: readonly WantedUnit[]): string[] {
  return units.filter(({ withScripts }) => /\buserconf\b/.test(withScripts)).map(({ name }) => name);
}

/** Null where the volume is no root volume. */
async function lookInto(volume: ExtVolume, partition: number): Promise<RootFacts | null> {
  if ((await volume.kind('/etc')) !== 'folder') return null;
  const settings = await readFirstBootSettings(volume);
  const units = await readWantedUnits(volume);
  return {
    partition,
    ...(await findPrograms(volume)),
    offBy: (await isThere(volume, [offFile])) ? offFile : null,
    settings,
    seedFolders: await findSeedFolders(volume),
    bootFolders: await readBootFolders(volume),
    renderer: await findRenderer(volume, settings.renderers),
    hasWifiProgram: await isThere(volume, wifiPrograms),
    hasZones: await isThere(volume, ['/usr/share/zoneinfo']),
    hasLocalePrograms: await hasLocalePrograms(volume),
    hostKeyUnits: await findHostKeyUnits(volume, units),
    rootGrowers: await findRootGrowers(volume, units),
    markerReaders: units.length === 0 ? null : markerReadersAmong(units),
  };
}

/**
 * What the root volume says about a node's first boot: the first ext volume that has /etc. Works over any source, an
 * image file or a card; nothing is mounted and nothing written, and only so much is read (`boundFiles`, `ReadOnlyExtDisk`).
 */
export async function lookAtRoot(
  source: ByteSource,
  { volumes }: Pick<ImageFacts, 'volumes'>,
): Promise<RootLook> {
  const candidates = volumes.filter(isReadable).slice(0, mostVolumes);
  let unread: string | null = null;
  for (const volume of candidates) {
    try {
      const facts = await withExtVolume(source, volume, (files) =>
        lookInto(boundFiles(files), volume.partition),
      );
      if (facts !== null) return { state: 'read', facts };
    } catch (error) {
      if (!(error instanceof ExtUnreadable)) throw error;
      unread ??= `the ${volume.type} volume in partition ${volume.partition} cannot be read: ${error.message}`;
    }
  }
  return unread === null ? whyNone(volumes) : { state: 'unread', why: unread };
}

/** What is known without reading anything: that there is no volume to be read. Null where there is one. */
export function lookByKinds(volumes: readonly ImageVolume[]): RootLook | null {
  return volumes.some(isReadable) ? null : whyNone(volumes);
}

function whyNone(volumes: readonly ImageVolume[]): RootLook {
  const other = volumes.find(({ type }) => !/^(?:ext|fat|iso9660)/.test(type));
  return other === undefined
    ? { state: 'absent', why: 'there is no ext volume with a system in it' }
    : { state: 'unread', why: `a root volume of type ${other.type} is not read here` };
}
