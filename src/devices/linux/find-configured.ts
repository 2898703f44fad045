import type { Disk, UnseenFact } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import type { BlockMap } from './block-map.ts';
import type { DeviceLink, LinkKind } from './device-links.ts';
import { isAbsent } from './read-attribute.ts';

/** What device names are looked up in. */
export interface NameTables {
  reader: SystemReader;
  map: BlockMap;
  disks: readonly Disk[];
  links: readonly DeviceLink[];
  /** names that could not be looked up are noted here */
  unseen: UnseenFact[];
}

const tagKinds: Record<string, LinkKind> = {
  UUID: 'uuid',
  LABEL: 'label',
  PARTUUID: 'partuuid',
  PARTLABEL: 'partlabel',
  ID: 'id',
};

function sameValue(kind: LinkKind, a: string, b: string): boolean {
  return kind === 'uuid' || kind === 'partuuid' ? a.toLowerCase() === b.toLowerCase() : a === b;
}

/** Every name that udev or the probe gives a block device. */
function allNames({ links, disks }: NameTables): Pick<DeviceLink, 'kind' | 'value' | 'name'>[] {
  const probed = disks.flatMap(({ signatures }) => signatures ?? []);
  const parts = disks.flatMap(({ partitions }) => partitions);
  return [
    ...links,
    ...probed.map(({ on, uuid }) => ({ kind: 'uuid' as const, value: uuid ?? '', name: on })),
    ...probed.map(({ on, label }) => ({ kind: 'label' as const, value: label ?? '', name: on })),
    ...parts.map(({ name, partUuid }) => ({ kind: 'partuuid' as const, value: partUuid ?? '', name })),
  ].filter(({ value }) => value !== '');
}

function byTag(tables: NameTables, kind: LinkKind, value: string): string[] {
  return allNames(tables)
    .filter((known) => known.kind === kind && sameValue(kind, known.value, value))
    .map(({ name }) => name);
}

async function byPath({ reader, map, unseen }: NameTables, path: string): Promise<string[]> {
  const numbers = await reader.stat(path);
  if (numbers.ok && numbers.value.rdev !== null) {
    const node = map.byNumbers.get(numbers.value.rdev);
    return node ? [node.name] : [];
  }
  if (!numbers.ok && !isAbsent(numbers)) unseen.push({ what: path, why: numbers.why, decides: true });
  // No such node: the kernel's own name still tells, as /dev/root's `root=/dev/mmcblk0p2` does before udev ran.
  const name = path.replace(/^\/dev\//, '').replaceAll('/', '!');
  return map.byName.has(name) ? [name] : [];
}

/**
 * Block devices that a configured name means: "UUID=…", "LABEL=…", "PARTUUID=…", "NUMBERS=8:2", "/dev/…",
 * "/dev/disk/by-…/…". Several where cards are copies of each other; none where the device is not here.
 */
export async function findConfigured(tables: NameTables, spec: string): Promise<string[]> {
  const [, tag = '', value = ''] = spec.match(/^([A-Z]+)=(.*)$/) ?? [];
  const byDisk = spec.match(/^\/dev\/disk\/by-([a-z]+)\/(.+)$/);
  const kind = tagKinds[tag] ?? (byDisk ? tagKinds[(byDisk[1] ?? '').toUpperCase()] : undefined);
  const names = new Set<string>();
  if (kind) for (const name of byTag(tables, kind, byDisk?.[2] ?? value)) names.add(name);
  if (tag === 'NUMBERS') {
    const node = tables.map.byNumbers.get(value);
    if (node) names.add(node.name);
  }
  if (spec.startsWith('/dev/')) for (const name of await byPath(tables, spec)) names.add(name);
  return [...names].filter((name) => tables.map.byName.has(name));
}

/**
 * Of several devices with one name, those in use under it, if any: a card written from the image the station itself
 * runs from carries the same UUIDs, and only the station's own disk is meant while that one is in use.
 */
export function preferInUse(names: readonly string[], inUse: ReadonlySet<string>): string[] {
  const used = names.filter((name) => inUse.has(name));
  return used.length > 0 ? used : [...names];
}
