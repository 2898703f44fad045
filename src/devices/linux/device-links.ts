import type { UnseenFact } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { mapLimited } from '../map-limited.ts';
import { decodeUdev } from './decode-udev.ts';
import { isAbsent } from './read-attribute.ts';

const kinds = ['id', 'uuid', 'label', 'partuuid', 'partlabel'] as const;
export type LinkKind = (typeof kinds)[number];

/** One of udev's links: /dev/disk/by-KIND/value → block device `name`. */
export interface DeviceLink {
  kind: LinkKind;
  path: string;
  value: string;
  name: string;
}

async function readKind(reader: SystemReader, kind: LinkKind, unseen: UnseenFact[]): Promise<DeviceLink[]> {
  const folder = `/dev/disk/by-${kind}`;
  const names = await reader.list(folder);
  if (!names.ok) {
    // A station without udev has none of these folders; the probe's own values then serve alone.
    if (!isAbsent(names)) unseen.push({ what: folder, why: names.why, decides: true });
    return [];
  }
  const links = await mapLimited(names.value, 8, async (entry): Promise<DeviceLink | null> => {
    const target = await reader.readLink(`${folder}/${entry}`);
    const name = target.ok ? target.value.split('/').at(-1) : undefined;
    return name ? { kind, path: `${folder}/${entry}`, value: decodeUdev(entry), name } : null;
  });
  return links.filter((link) => link !== null);
}

/** Reads udev's links. They name and annotate; which disks exist is for sysfs alone to say. */
export async function readDeviceLinks(
  reader: SystemReader,
): Promise<{ links: DeviceLink[]; unseen: UnseenFact[] }> {
  const unseen: UnseenFact[] = [];
  const links = await mapLimited(kinds, kinds.length, (kind) => readKind(reader, kind, unseen));
  return { links: links.flat(), unseen };
}
