import type { Disk, EmptyReader } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { mapLimited } from '../map-limited.ts';
import { findWaitingModules } from './boot-mode.ts';
import { isCardSlot } from './disk-kind.ts';

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

/** A module keeps its place in the list as a reader without a card does, and says what it waits for. */
async function modulesInBootMode(reader: SystemReader, moreIds: readonly string[]): Promise<EmptyReader[]> {
  const modules = await findWaitingModules(reader, moreIds);
  return modules.map(({ port, usbId }) => ({
    port,
    lun: null,
    name: `a module that waits in its boot mode (${usbId})`,
    bootModeId: usbId,
  }));
}

/** Readers with nothing in them, and modules that wait in their boot mode. Shown only: nothing is decided by them. */
export async function readEmptyReaders(
  reader: SystemReader,
  disks: readonly Disk[],
  bootModeIds: readonly string[],
): Promise<EmptyReader[]> {
  return [
    ...slotsWithoutCard(disks),
    ...(await hostsWithoutCard(reader)),
    ...(await modulesInBootMode(reader, bootModeIds)),
  ];
}
