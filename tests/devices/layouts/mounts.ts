/** Cards that are mounted, in all the ways in which a station may have done that. */
import type { GuestLayout } from './layout.ts';

const autofs = (folder: string) => `partition $stick
  mkfs.vfat -n BOOT \${stick}1 > /dev/null
  modprobe autofs4
  mkdir -p ${folder}
  echo '${folder} /run/auto.map' > /run/auto.master
  echo "card -fstype=vfat :\${stick}1" > /run/auto.map
  automount --pid-file /run/automount.pid --timeout 600 /run/auto.master
  until_so grep -q ${folder} /proc/self/mountinfo
  ls ${folder}/card
  mountpoint ${folder}/card`;

const endAutofs = (folder: string) => `kill $(cat /run/automount.pid)
  until_not grep -q ${folder} /proc/self/mountinfo
  blank $stick`;

export const mountLayouts: readonly GuestLayout[] = [
  {
    name: 'guest-automounted-card',
    note: 'an automounter has mounted a USB card where cards are put',
    setUp: autofs('/media/auto'),
    tearDown: endAutofs('/media/auto'),
    verdicts: { stick: ['needs approval', 'ask mounted /media/auto/card on stick1'] },
  },
  {
    name: 'guest-automounted-elsewhere',
    note: 'an automounter has mounted a USB card in a place of the system',
    setUp: autofs('/srv/auto'),
    tearDown: endAutofs('/srv/auto'),
    verdicts: { stick: ['refused', 'refuse mounted-elsewhere /srv/auto/card on stick1'] },
  },
  {
    name: 'guest-boot-on-usb',
    note: '/boot and /boot/efi are partitions of a USB stick; another stick is free',
    setUp: `partition $stick
      mkfs.vfat -n ESP \${stick}1 > /dev/null
      make_ext4 \${stick}2
      mount_at /boot \${stick}2
      mount_at /boot/efi \${stick}1`,
    tearDown: 'umount /boot/efi /boot; blank $stick',
    verdicts: {
      stick: [
        'refused',
        'refuse mounted-elsewhere /boot on stick2',
        'refuse mounted-elsewhere /boot/efi on stick1',
      ],
    },
  },
  {
    name: 'guest-bound-elsewhere',
    note: 'a card that is mounted where cards are put; a folder of it is bound to a place of the system',
    setUp: `partition $card
      make_ext4 \${card}p2
      mount_at /media/card \${card}p2
      mkdir -p /media/card/field /srv/field
      mount --bind /media/card/field /srv/field`,
    tearDown: 'umount /srv/field /media/card; blank $card',
    verdicts: {
      card: ['refused', 'refuse mounted-elsewhere /srv/field on cardp2', 'ask mounted /media/card on cardp2'],
    },
  },
  {
    name: 'guest-mount-inside-a-mount',
    note: 'a card is mounted where cards are put, and another one inside it',
    setUp: `partition $stick $spare
      make_ext4 \${stick}2 \${spare}2
      mount_at /media/outer \${stick}2
      mount_at /media/outer/inner \${spare}2`,
    tearDown: 'umount /media/outer/inner /media/outer; blank $stick $spare',
    verdicts: {
      stick: ['refused', 'refuse mount-carries-another /media/outer on stick2'],
      spare: ['needs approval', 'ask mounted /media/outer/inner on spare2'],
    },
  },
  {
    name: 'guest-mounted-in-another-namespace',
    note: 'a process has a card mounted where nobody else sees it',
    setUp: `partition $stick
      make_ext4 \${stick}2
      mkdir -p /media/hidden
      lasting hidden unshare --mount --propagation private sh -c \\
        "mount \${stick}2 /media/hidden && touch /run/is-hidden && exec sleep 1000"
      until_so test -e /run/is-hidden`,
    tearDown: 'ended hidden; rm /run/is-hidden; blank $stick',
    verdicts: { stick: ['refused', 'refuse mounted-in-other-namespace /media/hidden on stick2'] },
  },
  {
    name: 'guest-lazily-unmounted',
    note: 'a card was unmounted lazily while a process has a file of it open',
    setUp: `partition $right
      make_ext4 \${right}2
      mount_at /media/lazy \${right}2
      echo text > /media/lazy/file
      lasting holder sleep 1000 < /media/lazy/file
      umount --lazy /media/lazy`,
    tearDown: 'ended holder; blank $right',
    verdicts: {
      right: ['refused', 'refuse held-open pid N (sleep), with a file of its file system on right2'],
    },
  },
  {
    name: 'guest-named-in-fstab',
    note: 'a card that fstab names by its label, to be mounted on first use; it is not mounted now',
    setUp: `partition $stick
      mke2fs -q -F -t ext4 -L field \${stick}2 8M
      udevadm settle
      cp /etc/fstab /run/fstab
      echo 'LABEL=field /srv/field ext4 noauto,x-systemd.automount 0 0' >> /etc/fstab`,
    tearDown: 'cp /run/fstab /etc/fstab; blank $stick',
    verdicts: { stick: ['refused', 'refuse configured fstab: /srv/field on stick2'] },
  },
];
