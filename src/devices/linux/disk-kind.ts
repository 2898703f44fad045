import type { DiskKind } from '../../contract/devices.ts';

/** Names under /sys/devices/virtual/block, by what makes them. */
const virtualKinds: readonly [RegExp, DiskKind][] = [
  [/^loop\d+$/, 'loop'],
  [/^dm-\d+$/, 'device-mapper'],
  [/^md/, 'md'],
  [/^zram\d+$/, 'zram'],
  [/^ram\d+$/, 'ram'],
  [/^nbd\d+$/, 'nbd'],
];

function mmcKind(name: string, mmcType: string | null): DiskKind {
  // Boot, replay-protected and general-purpose areas share the module's CID: none is ever a card of its own.
  if (/^mmcblk\d+(boot|rpmb|gp)/.test(name)) return 'mmc-boot';
  if (mmcType === 'SD' || mmcType === 'SDcombo') return 'mmc-sd';
  return mmcType === 'MMC' ? 'mmc-emmc' : 'unknown';
}

/**
 * What a disk is, by the sysfs path it hangs on. Bus names in the path decide, from the nearest to the farthest:
 * an SD host behind a USB bridge is an SD host. `mmcType` is the `type` attribute of an mmc device.
 */
export function diskKind(devicePath: string, mmcType: string | null): DiskKind {
  const parts = devicePath.split('/');
  const name = parts.at(-1) ?? '';
  const has = (pattern: RegExp): boolean => parts.some((part) => pattern.test(part));
  if (has(/^nvme-subsystem$/) || has(/^nvme\d+$/)) return 'nvme';
  if (devicePath.startsWith('/sys/devices/virtual/')) {
    return virtualKinds.find(([pattern]) => pattern.test(name))?.[1] ?? 'other-virtual';
  }
  if (/^sr\d+$/.test(name)) return 'optical';
  if (has(/^mmc_host$/)) return mmcKind(name, mmcType);
  if (has(/^memstick_host$/)) return 'memstick';
  if (has(/^usb\d+$/)) return 'usb';
  if (has(/^ata\d+$/)) return 'sata';
  if (has(/^host\d+$/)) return 'scsi';
  if (has(/^virtio\d+$/)) return 'virtio';
  return 'unknown';
}

/** Kinds whose size-0 disk is a reader's slot with nothing in it. */
export function isCardSlot(kind: DiskKind): boolean {
  return ['usb', 'mmc-sd', 'memstick', 'scsi'].includes(kind);
}
