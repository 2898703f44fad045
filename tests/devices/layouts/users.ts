/** Cards that something other than a mount uses: swap, processes, another file system's journal. */
import type { GuestLayout } from './layout.ts';

export const userLayouts: readonly GuestLayout[] = [
  {
    name: 'guest-swap-partition',
    note: 'swap on a partition of the SD card',
    setUp: 'partition $card; mkswap ${card}p2; swapon ${card}p2',
    tearDown: 'swapoff ${card}p2; blank $card',
    verdicts: { card: ['refused', 'refuse swap /dev/cardp2 on cardp2'] },
  },
  {
    name: 'guest-swap-file',
    note: 'a swap file on a USB card that is mounted where cards are put',
    setUp: `partition $stick
      make_ext4 \${stick}2
      mount_at /media/card \${stick}2
      dd if=/dev/zero of=/media/card/swap bs=1M count=4 status=none
      chmod 600 /media/card/swap
      mkswap /media/card/swap
      swapon /media/card/swap`,
    tearDown: 'swapoff /media/card/swap; umount /media/card; blank $stick',
    verdicts: {
      stick: ['refused', 'refuse swap /media/card/swap on stick2', 'ask mounted /media/card on stick2'],
    },
  },
  {
    name: 'guest-held-open',
    note: 'one process has a USB card open, another a partition of the SD card',
    setUp: `partition $card
      lasting whole sleep 1000 < $stick
      lasting part sleep 1000 < \${card}p1`,
    tearDown: 'ended whole; ended part; blank $card',
    verdicts: {
      stick: ['refused', 'refuse held-open pid N (sleep) on stick'],
      card: ['refused', 'refuse held-open pid N (sleep) on cardp1'],
    },
  },
  {
    name: 'guest-busy-card',
    note: 'a card that is mounted where cards are put, with a shell working in it',
    setUp: `partition $right
      mkfs.vfat -n BOOT \${right}1 > /dev/null
      mount_at /media/card \${right}1
      cd /media/card
      lasting shell sleep 1000 < /dev/null`,
    tearDown: 'ended shell; umount /media/card; blank $right',
    verdicts: {
      right: [
        'refused',
        'refuse held-open pid N (sleep), with a file of its file system on right1',
        'ask mounted /media/card on right1',
      ],
    },
  },
  {
    name: 'guest-journal-on-a-card',
    note: 'the journal of a file system on the NVMe disk lies on a partition of a USB card',
    setUp: `partition $stick
      mke2fs -q -F -O journal_dev \${stick}2 8M
      mke2fs -q -F -t ext4 -J device=\${stick}2 $nvme 8M
      mount_at /srv/data $nvme`,
    tearDown: 'umount /srv/data; blank $stick $nvme',
    verdicts: {
      stick: ['refused', 'refuse stacked the journal of another file system on stick2'],
      nvme: [
        'refused',
        'refuse mounted-elsewhere /srv/data on nvme',
        'refuse transport-not-allowed',
        'refuse fixed-disk',
      ],
    },
  },
];
