import type { DiskKind } from '../contract/devices.ts';

/** What each kind of disk is called in a sentence: "it is …". */
export const kindNames: Readonly<Record<DiskKind, string>> = {
  usb: 'a USB disk',
  'mmc-sd': 'an SD card in a card slot',
  'mmc-emmc': 'an eMMC module on the board',
  'mmc-boot': 'a boot area of an eMMC module',
  memstick: 'a memory stick card',
  nvme: 'an NVMe disk',
  sata: 'a SATA disk',
  scsi: 'a SCSI disk',
  virtio: 'a virtual machine’s own disk',
  optical: 'an optical drive',
  loop: 'a loop device',
  'device-mapper': 'a device-mapper volume',
  md: 'a software RAID array',
  zram: 'compressed memory',
  ram: 'a RAM disk',
  nbd: 'a network block device',
  'other-virtual': 'a virtual disk',
  unknown: 'a disk of unknown kind',
};
