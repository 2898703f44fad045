import type { Disk, EmptyReader } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { mapLimited } from '../map-limited.ts';
import { isCardSlot } from './disk-kind.ts';

/**
 * USB ids under which a module shows itself while it waits to be told what to boot: it has no disk yet. From public
 * udev rules and build-system notes; none of the first four is in usb.ids (2025-07-26), the others are.
 */
const bootModeIds = new Set([
  '0a5c:2763',
  '0a5c:2764',
  '0a5c:2711',
  '0a5c:2712',
  '2207:330c',
  '2207:320c',
  '1f3a:efe8',
]);

/** Whether the disk is a reader's slot without a card; a size that could not be read is not an empty slot. */
export function isEmptySlot(disk: Disk): boolean {
  return disk.sizeBytes === 0 && !disk.unseen.some(({ what }) => what === 'size');
}

function slotsWithoutCard(disks: readonly Disk[]): EmptyReader[] {
  return disks
    .filter((disk) => isEmptySlot(disk) && isCardSlot(disk.kind))
    .flatMap(({ port, lun, vendor, model }) => {
      const name = [vendor, model].filter((part) => part !== null).join(' ');
      return port === null ? [] : [{ port, lun, name: name || null }];
    });
}

/** An SD host makes a block device only when a card is in: a host without a card is an empty slot. */
async function hostsWithoutCard(reader: SystemReader): Promise<EmptyReader[]> {
  const hosts = await reader.list('/sys/class/mmc_host');
  const found = await mapLimited(
    hosts.ok ? hosts.value : [],
    4,
    async (host): Promise<EmptyReader | null> => {
      const children = await reader.list(`/sys/class/mmc_host/${host}`);
      const isEmpty = children.ok && !children.value.some((child) => child.startsWith(`${host}:`));
      return isEmpty ? { port: `mmc:${host.replace(/^mmc/, '')}`, lun: null, name: null } : null;
    },
  );
  return found.filter((one) => one !== null);
}

async function modulesInBootMode(reader: SystemReader): Promise<EmptyReader[]> {
  const devices = await reader.list('/sys/bus/usb/devices');
  const ports = devices.ok ? devices.value.filter((name) => /^\d+-[\d.]+$/.test(name)) : [];
  const found = await mapLimited(ports, 4, async (port): Promise<EmptyReader | null> => {
    const vendor = await reader.readText(`/sys/bus/usb/devices/${port}/idVendor`);
    const product = await reader.readText(`/sys/bus/usb/devices/${port}/idProduct`);
    const id = vendor.ok && product.ok ? `${vendor.value.trim()}:${product.value.trim()}` : '';
    if (!bootModeIds.has(id)) return null;
    return { port: `usb:${port}`, lun: null, name: `a module that waits in its boot mode (${id})` };
  });
  return found.filter((one) => one !== null);
}

/** Readers with nothing in them, and modules that wait in their boot mode. Shown only: nothing is decided by them. */
export async function readEmptyReaders(reader: SystemReader, disks: readonly Disk[]): Promise<EmptyReader[]> {
  return [
    ...slotsWithoutCard(disks),
    ...(await hostsWithoutCard(reader)),
    ...(await modulesInBootMode(reader)),
  ];
}
