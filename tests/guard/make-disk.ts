import type { DeviceGraph, Disk, DiskUse, Partition, Signature } from '../../src/contract/devices.ts';
import { defaultPolicy, type Policy } from '../../src/contract/policy.ts';
import type { GuardContext, GuardImage } from '../../src/guard/context.ts';

export const cardBytes = 31_914_983_424;

/** A blank SD card in a USB reader: every rule lets it pass. */
export function makeDisk(change: Partial<Disk> = {}): Disk {
  const name = change.name ?? 'sdb';
  return {
    name,
    node: `/dev/${name}`,
    majorMinor: `8:${name.charCodeAt(2) - 97}0`,
    port: 'usb:1-2',
    lun: 0,
    vendor: 'ORCHARD',
    model: 'STORAGE DEVICE',
    serial: '20120501030900000',
    cid: null,
    sizeBytes: cardBytes,
    diskseq: 17,
    kind: 'usb',
    logicalBlockBytes: 512,
    physicalBlockBytes: 512,
    readOnly: false,
    hidden: false,
    removable: true,
    usbConnectType: 'hotplug',
    usbId: null,
    byIds: [`/dev/disk/by-id/usb-ORCHARD_${name}`, `/dev/disk/by-id/usb-ORCHARD_STORAGE_${name}-0:0`],
    partitions: [],
    backingFile: null,
    signatures: [],
    uses: [],
    wear: null,
    genericNode: null,
    description: null,
    unseen: [],
    ...change,
  };
}

export function makeLoop(change: Partial<Disk> = {}): Disk {
  return makeDisk({
    name: 'loop3',
    majorMinor: '7:3',
    kind: 'loop',
    port: null,
    lun: null,
    serial: null,
    removable: false,
    usbConnectType: null,
    byIds: [],
    backingFile: '/srv/trial/card.img',
    ...change,
  });
}

export function makePartition(disk: string, number: number, change: Partial<Partition> = {}): Partition {
  const name = `${disk}${number}`;
  return {
    name,
    node: `/dev/${name}`,
    majorMinor: `8:${disk.charCodeAt(2) - 97}${number}`,
    number,
    startBytes: number * 2 ** 20,
    sizeBytes: 512 * 2 ** 20,
    partUuid: null,
    ...change,
  };
}

/** Something that stands on partition 1 of `sdb`; a plain card mount unless told otherwise. */
export function makeUse(change: Partial<DiskUse> = {}): DiskUse {
  const on = change.on ?? 'sdb1';
  return {
    kind: 'mount',
    what: '/media/grower/BOOT',
    on,
    through: [on],
    namespace: 'own',
    fsType: 'vfat',
    options: 'rw,nosuid,nodev',
    pid: null,
    ...change,
  };
}

export function makeSignature(change: Partial<Signature> = {}): Signature {
  return {
    on: 'sdb1',
    type: 'vfat',
    usage: 'filesystem',
    label: null,
    uuid: null,
    tableType: null,
    ...change,
  };
}

export function makePolicy(change: Partial<Policy> = {}): Policy {
  return { ...defaultPolicy, ...change };
}

export function makeImage(change: Partial<GuardImage> = {}): GuardImage {
  return { sizeBytes: 1_873_805_312, sectorBytes: 512, homeDisks: ['nvme0n1'], homeTraced: true, ...change };
}

export function makeGraph(disks: Disk[], change: Partial<DeviceGraph> = {}): DeviceGraph {
  return { disks, emptyReaders: [], unseen: [], untraced: [], ...change };
}

/** A machine whose only disk is the given one. */
export function makeContext(disk: Disk, change: Partial<GuardContext> = {}): GuardContext {
  return { graph: makeGraph([disk]), policy: makePolicy(), image: makeImage(), ...change };
}
