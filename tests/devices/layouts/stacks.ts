/** Cards with something on top of them: volumes, mirrors, pools, loops; asleep and awake. */
import type { GuestLayout } from './layout.ts';

/** Given, so that the names by which the tool calls them are the same every time. */
const volumeIds = {
  vault: 'vault0-0000-0000-0000-0000-0000-000001',
  pantry: 'pantry-0000-0000-0000-0000-0000-000002',
};

/** A volume group on an encrypted partition of the stick; `lvm` and `cryptsetup` as an installer would have them. */
const volumesOverVault = `partition $stick
  make_vault \${stick}2 vault
  lvm <<< "pvcreate --quiet --norestorefile --uuid ${volumeIds.vault} /dev/mapper/vault
    vgcreate --quiet orchard /dev/mapper/vault
    lvcreate --quiet --yes --extents 50%FREE --name data orchard"`;

export const stackLayouts: readonly GuestLayout[] = [
  {
    name: 'guest-volumes-over-vault',
    note: 'LVM over LUKS on a USB card; the volume is active and mounted where cards are put',
    setUp: `${volumesOverVault}
      make_ext4 /dev/orchard/data
      mount_at /media/data /dev/orchard/data`,
    tearDown: 'umount /media/data; vgchange --quiet -a n orchard; cryptsetup close vault; blank $stick',
    verdicts: {
      stick: [
        'refused',
        'refuse mount-stacked /media/data on stick2 through stick2 → dm-0 (vault) → dm-1 (orchard-data)',
        'refuse stacked dm-1 (orchard-data) on stick2 through stick2 → dm-0 (vault)',
        'refuse stacked dm-0 (vault) on stick2',
        'ask archive on stick2 called by its UUID',
      ],
      'dm-0': [
        'refused',
        'refuse mount-stacked /media/data on dm-0 through dm-1 (orchard-data)',
        'refuse stacked dm-1 (orchard-data) on dm-0',
        'refuse not-a-card',
        'ask archive on dm-0 called vault0',
      ],
      'dm-1': ['refused', 'refuse not-a-card', 'ask mounted /media/data on dm-1'],
    },
  },
  {
    name: 'guest-volumes-asleep',
    note: 'a closed LUKS on one USB card, a volume group that is not active on another',
    setUp: `partition $stick $spare
      make_vault \${stick}2
      lvm <<< "pvcreate --quiet --norestorefile --uuid ${volumeIds.pantry} \${spare}2
        vgcreate --quiet pantry \${spare}2
        vgchange --quiet -a n pantry"`,
    tearDown: 'blank $stick $spare',
    verdicts: {
      stick: ['needs approval', 'ask archive on stick2 called by its UUID'],
      spare: ['needs approval', 'ask archive on spare2 called pantry'],
    },
  },
  {
    name: 'guest-snapshot-of-a-card',
    note: 'a snapshot by device-mapper: a USB card is the origin, the SD card takes the changes',
    setUp: `modprobe dm-snapshot
      size=$(blockdev --getsz $stick)
      dmsetup create before --table "0 $size snapshot $stick $card N 8"`,
    tearDown: 'dmsetup remove before; blank $card',
    verdicts: {
      stick: ['refused', 'refuse stacked dm-0 (before) on stick'],
      card: ['refused', 'refuse stacked dm-0 (before) on card'],
      'dm-0': ['refused', 'refuse not-a-card'],
    },
  },
  {
    name: 'guest-mirror-over-two',
    note: 'an md mirror over a USB card and the SD card, with nothing mounted',
    setUp: `modprobe raid1
      mdadm --create /dev/md0 --quiet --run --metadata=1.2 --level=1 --raid-devices=2 --assume-clean --homehost=any $stick $card
      udevadm settle`,
    tearDown:
      'mdadm --quiet --stop /dev/md0; mdadm --quiet --zero-superblock $stick $card; blank $stick $card',
    verdicts: {
      stick: ['refused', 'refuse stacked md0 on stick', 'ask archive on stick called any:0'],
      card: ['refused', 'refuse stacked md0 on card', 'ask archive on card called any:0'],
      md0: ['refused', 'refuse not-a-card'],
    },
  },
  {
    name: 'guest-btrfs-over-two',
    note: 'a btrfs over a USB card and the card in the second slot of a reader, mounted where cards are put',
    setUp: `modprobe btrfs
      mkfs.btrfs -q -f -L pool $stick $right
      btrfs device scan > /dev/null
      mount_at /media/pool $right`,
    tearDown: 'umount /media/pool; btrfs device scan --forget; blank $stick $right',
    verdicts: {
      stick: [
        'refused',
        'refuse mount-stacked /media/pool on stick',
        'refuse btrfs-member btrfs pool on stick',
        'ask archive on stick called pool',
      ],
      right: [
        'refused',
        'refuse mount-stacked /media/pool on right',
        'refuse btrfs-member btrfs pool on right',
        'ask archive on right called pool',
      ],
    },
  },
  {
    name: 'guest-loop-over-partition',
    note: 'a loop device over a partition of a USB card, with nothing mounted',
    setUp: 'partition $stick; losetup /dev/loop0 ${stick}2',
    tearDown: 'losetup --detach /dev/loop0; blank $stick',
    verdicts: {
      stick: ['refused', 'refuse loop-on-it loop0 over /dev/stick2 on stick2'],
      loop0: ['refused', 'refuse loop-not-named', 'refuse loop-over-disk'],
    },
  },
  {
    name: 'guest-mounted-through-loop',
    note: 'a file system on a partition of the SD card, mounted through a loop device where cards are put',
    setUp: `partition $card
      losetup /dev/loop0 \${card}p2
      make_ext4 /dev/loop0
      mount_at /media/through /dev/loop0`,
    tearDown: 'umount /media/through; losetup --detach /dev/loop0; blank $card',
    verdicts: {
      card: [
        'refused',
        'refuse mount-stacked /media/through on cardp2 through cardp2 → loop0',
        'refuse loop-on-it loop0 over /dev/cardp2 on cardp2',
      ],
      loop0: [
        'refused',
        'refuse loop-not-named',
        'refuse loop-over-disk',
        'ask mounted /media/through on loop0',
      ],
    },
  },
  {
    name: 'guest-live-medium',
    note: 'a live system: a squashfs in a file of a USB card, and over it an overlay that keeps changes on the card',
    setUp: `partition $stick
      make_ext4 \${stick}2
      mount_at /run/live/medium \${stick}2
      mkdir -p /run/tree /run/live/medium/upper /run/live/medium/work /run/live/root /srv/live
      mksquashfs /run/tree /run/live/medium/root.squashfs -quiet -no-progress
      losetup --read-only /dev/loop0 /run/live/medium/root.squashfs
      mount -t squashfs /dev/loop0 /run/live/root
      mount -t overlay overlay -o lowerdir=/run/live/root,upperdir=/run/live/medium/upper,workdir=/run/live/medium/work /srv/live`,
    tearDown: `umount /srv/live /run/live/root
      losetup --detach /dev/loop0
      umount /run/live/medium; blank $stick`,
    verdicts: {
      stick: [
        'refused',
        'refuse mounted-elsewhere /run/live/medium on stick2',
        'refuse mount-stacked /run/live/root on stick2 through stick2 → loop0',
        'refuse mount-stacked /srv/live on stick2 through stick2 → loop0',
        'refuse mount-stacked /srv/live on stick2',
        'refuse loop-on-it loop0 over /run/live/medium/root.squashfs on stick2',
      ],
      loop0: [
        'refused',
        'refuse mounted-elsewhere /run/live/root on loop0',
        'refuse mount-stacked /srv/live on loop0',
        'refuse loop-not-named',
        'refuse read-only',
        'refuse too-small',
      ],
    },
  },
];
