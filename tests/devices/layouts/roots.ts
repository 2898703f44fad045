/** Machines that run from a card, with other cards beside it. */
import type { GuestLayout } from './layout.ts';

/** `infix` stands between the disk's name and the partition's number: "mmcblk0p1", "sda1". */
export const rootLayouts = (where: 'sd' | 'usb', infix: 'p' | ''): readonly GuestLayout[] => [
  {
    name: `guest-root-on-${where}`,
    note: 'a machine that runs from a card, with others of its kind and another beside it',
    setUp: '',
    verdicts: {},
  },
  {
    name: `guest-root-and-boot-on-${where}`,
    note: 'the same, with /boot and /boot/efi on further partitions of the card',
    setUp: `mkfs.vfat -n ESP \${root}${infix}2 > /dev/null
      make_ext4 \${root}${infix}3
      mount_at /boot \${root}${infix}3
      mount_at /boot/efi \${root}${infix}2`,
    tearDown: 'umount /boot/efi /boot',
    verdicts: {
      root: [
        'refused',
        `refuse mounted-elsewhere / on root${infix}1`,
        `refuse mounted-elsewhere /boot on root${infix}3`,
        `refuse mounted-elsewhere /boot/efi on root${infix}2`,
      ],
    },
  },
];
