/**
 * What the guard has to say of every disk of the composed machines, with the built-in policy and an image of 6 MiB in
 * sectors of 512 bytes: the verdict, then all reasons in the words of `reason-words.ts`. Each line was held against
 * what its machine is meant to be; change them by hand only, never by copying what the guard says.
 */
import { allowed, type ExpectedMachines, fixed, unread } from './expected-verdict.ts';

/** The disk that an ordinary station runs from. */
const stationDisk = [
  'refused',
  'refuse mounted-elsewhere / on sda2',
  'refuse mounted-elsewhere /boot/efi on sda1',
  ...fixed,
] as const;

export const composedVerdicts: ExpectedMachines = {
  'two-sd-cards': {
    mmcblk0: allowed,
    mmcblk1: allowed,
    sda: stationDisk,
  },
  'root-on-emmc': {
    mmcblk0: [
      'refused',
      'refuse mounted-elsewhere / on mmcblk0p1',
      'refuse transport-not-allowed',
      'refuse soldered',
    ],
    mmcblk1: allowed,
  },
  'root-on-network': {
    sda: allowed,
  },
  'card-opened-by-desktop': {
    sda: stationDisk,
    sdb: [
      'needs approval',
      'ask mounted /media/grower/BOOT on sdb1',
      'ask mounted /media/grower/root on sdb2',
    ],
  },
  'card-put-to-use': {
    sda: stationDisk,
    sdb: ['refused', 'refuse mounted-elsewhere /srv/data on sdb2', 'refuse configured fstab: /spare on sdb1'],
  },
  'card-within-card': {
    sda: stationDisk,
    sdb: ['refused', 'refuse mount-carries-another /media/one on sdb2'],
    sdc: ['needs approval', 'ask mounted /media/one/two on sdc2'],
  },
  'card-swapped-to': {
    sda: stationDisk,
    sdb: ['refused', 'refuse swap /dev/sdb2 on sdb2'],
  },
  'card-held-by-machine': {
    sda: stationDisk,
    sdb: ['refused', 'refuse held-open pid N (guest-of-kvm) on sdb'],
  },
  'backup-disks': {
    sda: stationDisk,
    sdb: ['needs approval', 'ask archive on sdb called VAULT'],
    sdc: ['refused', 'refuse too-large', 'ask archive on sdc1 called Photos'],
    sdd: ['needs approval', 'ask archive on sdd called abcdef'],
  },
  'locked-and-tiny-cards': {
    sda: stationDisk,
    sdb: ['refused', 'refuse read-only'],
    sdc: ['refused', 'refuse too-small'],
    sdd: ['refused', 'refuse sector-size'],
  },
  'built-in-usb': {
    sda: stationDisk,
    sdb: ['refused', 'refuse hardwired'],
    sdc: allowed,
  },
  'no-cards-at-all': {
    dcssblk0: ['refused', 'refuse not-a-card'],
    mspblk0: ['refused', 'refuse transport-not-allowed'],
    nbd0: ['refused', 'refuse not-a-card'],
    nvme0c0n1: ['refused', 'refuse hidden', ...fixed, 'refuse too-large', unread],
    ram0: ['refused', 'refuse not-a-card', unread],
    sda: stationDisk,
    sr0: ['refused', 'refuse not-a-card', unread],
    zram0: ['refused', 'refuse not-a-card', unread],
  },
  'usb-reader-two-slots': {
    sda: stationDisk,
    sdc: allowed,
  },
  'usb-reader-both-full': {
    sda: stationDisk,
    sdb: allowed,
    sdc: allowed,
  },
  'sd-in-mmc-host': {
    mmcblk0: allowed,
    sda: stationDisk,
  },
  'emmc-with-boot-areas': {
    mmcblk1: ['refused', 'refuse transport-not-allowed', 'refuse soldered'],
    mmcblk1boot0: [
      'refused',
      'refuse transport-not-allowed',
      'refuse boot-area',
      'refuse read-only',
      'refuse too-small',
      unread,
    ],
    mmcblk1boot1: [
      'refused',
      'refuse transport-not-allowed',
      'refuse boot-area',
      'refuse read-only',
      'refuse too-small',
      unread,
    ],
    mmcblk1rpmb: ['refused', 'refuse transport-not-allowed', 'refuse boot-area', 'refuse too-small', unread],
    sda: stationDisk,
  },
  'root-on-sd': {
    mmcblk0: [
      'refused',
      'refuse mounted-elsewhere / on mmcblk0p2',
      'refuse mounted-elsewhere /boot/firmware on mmcblk0p1',
      'refuse boot-chain root= on mmcblk0p2',
      'refuse configured fstab: / on mmcblk0p2',
      'refuse boot-chain fstab: /boot/firmware on mmcblk0p1',
    ],
    sda: allowed,
  },
  'lvm-over-luks-on-nvme': {
    'dm-0': [
      'refused',
      'refuse mount-stacked / on dm-0 through dm-1 (vg0-root)',
      'refuse swap /dev/dm-2 on dm-0 through dm-2 (vg0-swap)',
      'refuse stacked dm-1 (vg0-root) on dm-0',
      'refuse stacked dm-2 (vg0-swap) on dm-0',
      'refuse boot-chain root= on dm-0 through dm-1 (vg0-root)',
      'refuse configured fstab: / on dm-0 through dm-1 (vg0-root)',
      'refuse not-a-card',
      'ask archive on dm-0 called LVM2_member',
    ],
    'dm-1': [
      'refused',
      'refuse mounted-elsewhere / on dm-1',
      'refuse boot-chain root= on dm-1',
      'refuse configured fstab: / on dm-1',
      'refuse not-a-card',
    ],
    'dm-2': ['refused', 'refuse swap /dev/dm-2 on dm-2', 'refuse not-a-card'],
    nvme0n1: [
      'refused',
      'refuse mount-stacked / on nvme0n1p3 through nvme0n1p3 → dm-0 (keep) → dm-1 (vg0-root)',
      'refuse mounted-elsewhere /boot on nvme0n1p2',
      'refuse swap /dev/dm-2 on nvme0n1p3 through nvme0n1p3 → dm-0 (keep) → dm-2 (vg0-swap)',
      'refuse stacked dm-1 (vg0-root) on nvme0n1p3 through nvme0n1p3 → dm-0 (keep)',
      'refuse stacked dm-2 (vg0-swap) on nvme0n1p3 through nvme0n1p3 → dm-0 (keep)',
      'refuse stacked dm-0 (keep) on nvme0n1p3',
      'refuse boot-chain root= on nvme0n1p3 through nvme0n1p3 → dm-0 (keep) → dm-1 (vg0-root)',
      'refuse configured fstab: / on nvme0n1p3 through nvme0n1p3 → dm-0 (keep) → dm-1 (vg0-root)',
      'refuse configured crypttab: keep on nvme0n1p3',
      'refuse boot-chain the partition that the firmware started from on nvme0n1p1',
      ...fixed,
      'refuse too-large',
      'ask archive on nvme0n1p3 called by its UUID',
    ],
  },
  'md-mirror-root': {
    md0: ['refused', 'refuse mounted-elsewhere / on md0', 'refuse not-a-card'],
    sda: [
      'refused',
      'refuse mount-stacked / on sda1 through sda1 → md0',
      'refuse stacked md0 on sda1',
      ...fixed,
      'ask archive on sda1 called linux_raid_member',
    ],
    sdb: [
      'refused',
      'refuse mount-stacked / on sdb1 through sdb1 → md0',
      'refuse stacked md0 on sdb1',
      ...fixed,
      'ask archive on sdb1 called linux_raid_member',
    ],
  },
  'btrfs-root-over-two': {
    sda: [
      'refused',
      'refuse mount-stacked / on sda',
      'refuse mount-stacked /home on sda',
      'refuse btrfs-member btrfs 55555555-0000-0000-0000-000000000005 on sda',
      ...fixed,
    ],
    sdb: [
      'refused',
      'refuse mount-stacked / on sdb',
      'refuse mount-stacked /home on sdb',
      'refuse btrfs-member btrfs 55555555-0000-0000-0000-000000000005 on sdb',
    ],
  },
  'live-stick-squashfs': {
    loop0: [
      'refused',
      'refuse mounted-elsewhere /run/live/rootfs on loop0',
      'refuse mount-stacked / on loop0',
      'refuse loop-not-named',
      'refuse read-only',
    ],
    sda: [
      'refused',
      'refuse mounted-elsewhere /run/live/medium on sda1',
      'refuse mount-stacked /run/live/rootfs on sda1 through sda1 → loop0',
      'refuse mount-stacked / on sda1 through sda1 → loop0',
      'refuse loop-on-it loop0 over /run/live/medium/live/filesystem.squashfs on sda1',
    ],
  },
  'live-stick-hidden-layers': {
    sda: ['refused', 'refuse untraced 0:31 (/ as overlay): layer /left/behind is not found'],
  },
  'pool-on-zfs': {
    sda: stationDisk,
    sdb: ['refused', 'refuse mount-stacked /srv on sdb3', ...fixed, 'ask archive on sdb3 called zfs_member'],
  },
  'cached-disk': {
    bcache0: ['refused', 'refuse mounted-elsewhere /srv on bcache0', 'refuse not-a-card'],
    nvme0n1: [
      'refused',
      'refuse mount-stacked /srv on nvme0n1 through bcache0',
      'refuse stacked bcache0 on nvme0n1',
      ...fixed,
    ],
    sda: stationDisk,
    sdb: [
      'refused',
      'refuse mount-stacked /srv on sdb through bcache0',
      'refuse stacked bcache0 on sdb',
      ...fixed,
    ],
    sdc: ['refused', 'refuse stacked bcache on sdc', ...fixed],
  },
};
