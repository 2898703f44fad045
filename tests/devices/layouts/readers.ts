/** Readers and disks as they are plugged in, before anything is set up on them; and readers that appear. */
import { expect } from 'vitest';
import type { DeviceGraph } from '../../../src/contract/devices.ts';
import type { Labels } from '../disk-labels.ts';
import { fixed } from '../expected-verdict.ts';
import { diskOf, usesOf } from '../graph-words.ts';
import type { GuestLayout } from './layout.ts';

/** Ports with no card in them, by kind. */
const emptyPorts = ({ emptyReaders }: DeviceGraph) =>
  emptyReaders.map(({ port, lun }) => `${port.split(':')[0]} ${lun}`).toSorted();

function checkBare(graph: DeviceGraph, labels: Labels): void {
  const disk = (label: string) => diskOf(graph, labels[label] ?? '');
  expect(disk('stick')).toMatchObject({
    kind: 'usb',
    port: expect.stringMatching(/^usb:\d+-\d+$/),
    lun: 0,
    removable: true,
    signatures: [],
  });
  expect(disk('stick').genericNode).toMatch(/^\/dev\/sg\d+$/);
  expect(disk('stick').usbId).toMatch(/^[0-9a-f]{4}:[0-9a-f]{4}$/);
  expect(disk('stick').byIds).toEqual([expect.stringContaining(disk('stick').serial ?? 'none')]);
  expect(disk('locked').readOnly).toBe(true);
  expect(disk('card')).toMatchObject({ kind: 'mmc-sd', cid: expect.stringMatching(/^[0-9a-f]{32}$/) });
  expect(disk('nvme')).toMatchObject({ kind: 'nvme', port: expect.stringMatching(/^pci:0000:/) });
  expect([disk('first').kind, disk('second').kind]).toEqual(['sata', 'sata']);

  // A reader without a card, the first slot of one with two, an SD host without a card.
  expect(emptyPorts(graph)).toEqual(['mmc null', 'usb 0', 'usb 0']);
  const { port } = disk('right');
  expect(graph.emptyReaders).toContainEqual({ port, lun: 0, name: expect.any(String) });
  expect(graph.emptyReaders.map((slot) => slot.port)).not.toContain(disk('card').port);
}

export const readerLayouts: readonly GuestLayout[] = [
  {
    name: 'guest-readers',
    note: 'cards in readers of several kinds, one write-protected; readers without a card; built-in disks',
    setUp: '',
    verdicts: {},
    check: checkBare,
  },
  {
    name: 'guest-station',
    note: 'a card that is mounted where cards are put, LUKS on NVMe, btrfs over two SATA disks',
    setUp: `modprobe -a dm_crypt btrfs
      printf 'label: gpt\\nsize=8M, name="boot of it"\\nsize=16M\\n' | sfdisk --quiet $stick
      udevadm settle
      mkfs.vfat -n BOOT \${stick}1 > /dev/null
      make_ext4 \${stick}2
      mount_at /media/card \${stick}2
      make_vault $nvme vault
      make_ext4 /dev/mapper/vault
      mount_at /srv/vault /dev/mapper/vault
      mkfs.btrfs -q -f -L pool $first $second
      btrfs device scan > /dev/null
      mount_at /srv/pool $first
      udevadm settle`,
    tearDown: `umount /media/card /srv/vault /srv/pool
      cryptsetup close vault
      btrfs device scan --forget
      blank $stick $nvme $first $second`,
    verdicts: {
      stick: ['needs approval', 'ask mounted /media/card on stick2'],
      nvme: [
        'refused',
        'refuse mount-stacked /srv/vault on nvme through dm-0 (vault)',
        'refuse stacked dm-0 (vault) on nvme',
        ...fixed,
        'ask archive on nvme called by its UUID',
      ],
      'dm-0': ['refused', 'refuse mounted-elsewhere /srv/vault on dm-0', 'refuse not-a-card'],
      first: [
        'refused',
        'refuse mount-stacked /srv/pool on first',
        'refuse btrfs-member btrfs pool on first',
        ...fixed,
        'ask archive on first called pool',
      ],
      second: [
        'refused',
        'refuse mount-stacked /srv/pool on second',
        'refuse btrfs-member btrfs pool on second',
        ...fixed,
        'ask archive on second called pool',
      ],
    },
    check(graph, { stick = '', nvme = '' }) {
      expect(
        diskOf(graph, stick).signatures?.map(({ type, label, tableType }) => [type, label, tableType]),
      ).toEqual([
        [null, null, 'gpt'],
        ['vfat', 'BOOT', null],
        ['ext4', null, null],
      ]);
      const uuids = diskOf(graph, stick).partitions.map(({ partUuid }) => partUuid);
      expect(uuids).toEqual([0, 1].map(() => expect.stringMatching(/^[0-9a-f-]{36}$/)));
      expect(diskOf(graph, nvme).signatures?.map(({ type }) => type)).toEqual(['crypto_LUKS']);
      expect(usesOf(graph, nvme)).toEqual([
        `holder dm-0 (vault) on ${nvme}`,
        `mount /srv/vault on ${nvme} through dm-0 (vault)`,
      ]);
    },
  },
  {
    name: 'guest-reader-by-gadget',
    note: "a USB reader with two slots, made by the kernel's own USB device side: its first slot is empty",
    setUp: `modprobe -a dummy_hcd libcomposite usb_f_mass_storage
      mountpoint -q /sys/kernel/config || mount -t configfs configfs /sys/kernel/config
      truncate -s 64M /run/gadget.img
      cd /sys/kernel/config/usb_gadget && mkdir reader && cd reader
      echo 0x1d6b > idVendor && echo 0x0104 > idProduct
      mkdir strings/0x409 configs/c.1 functions/mass_storage.0 functions/mass_storage.0/lun.1
      echo GADGET01 > strings/0x409/serialnumber
      for slot in 0 1; do echo 1 > functions/mass_storage.0/lun.$slot/removable; done
      echo /run/gadget.img > functions/mass_storage.0/lun.1/file
      ln -s functions/mass_storage.0 configs/c.1
      echo dummy_udc.0 > UDC
      appears '/dev/disk/by-id/usb-*GADGET01-0:1'`,
    tearDown: `cd /sys/kernel/config/usb_gadget/reader
      echo > UDC
      rm configs/c.1/mass_storage.0
      rmdir functions/mass_storage.0/lun.1 functions/mass_storage.0 configs/c.1 strings/0x409
      cd / && rmdir /sys/kernel/config/usb_gadget/reader
      until_not compgen -G '/dev/disk/by-id/usb-*GADGET01*'`,
    appearing: { gadget: { serial: 'GADGET01', lun: 1 } },
    verdicts: { gadget: ['allowed'] },
    check(graph, { gadget = '' }) {
      expect(diskOf(graph, gadget)).toMatchObject({ removable: true, sizeBytes: 64 << 20 });
      const { port } = diskOf(graph, gadget);
      expect(graph.emptyReaders).toContainEqual({ port, lun: 0, name: expect.any(String) });
    },
  },
  {
    name: 'guest-disk-in-memory',
    note: 'a SCSI disk that the kernel keeps in memory and that says its medium is removable',
    setUp: `modprobe scsi_debug dev_size_mb=8 removable=1
      appears '/dev/disk/by-id/scsi-3333333*'`,
    tearDown: 'until_so rmmod scsi_debug',
    appearing: { memory: { model: 'scsi_debug', lun: 0 } },
    verdicts: { memory: ['refused', ...fixed] },
  },
];
