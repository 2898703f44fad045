/** Machines that the lab's guest is, with real USB, SD, NVMe and SATA disks, and what the graph must say of them. */
import { expect } from 'vitest';
import type { DeviceGraph } from '../../src/contract/devices.ts';
import type { GuestDisk } from '../lab/guest/machine.ts';
import { diskOf, usesOf } from './graph-words.ts';

export interface GuestMachine {
  name: string;
  note: string;
  disks: (file: (name: string) => string) => GuestDisk[];
  /** "/dev/mmcblk0p1" where / stands on a disk of the guest */
  rootNode?: string;
  /** what is set up inside before the capture, by bash */
  setUp: string;
  check: (graph: DeviceGraph) => void;
}

/** The name of the one disk that fits; kernel names depend on who is found first. */
function nameOf(graph: DeviceGraph, fits: (disk: DeviceGraph['disks'][number]) => boolean): string {
  const found = graph.disks.filter(fits).map(({ name }) => name);
  expect(found).toHaveLength(1);
  return found[0] ?? '';
}

const format = 'cryptsetup --batch-mode --pbkdf pbkdf2 --pbkdf-force-iterations 1000 --key-file /run/key';

export const guestMachines: readonly GuestMachine[] = [
  {
    name: 'guest-station',
    note: 'a USB stick, a USB reader with a card in its second slot only, an SD card, an SD host without one, LUKS on NVMe, btrfs over two SATA disks',
    disks: (file) => [
      { kind: 'usb', id: 'stick', serial: 'STICK0001', file: file('stick') },
      { kind: 'slot', id: 'left', reader: 'reader', file: null },
      { kind: 'slot', id: 'right', reader: 'reader', file: file('right') },
      { kind: 'mmc', id: 'card', file: file('card') },
      { kind: 'mmc', id: 'nocard', file: null },
      { kind: 'nvme', id: 'nvme', serial: 'NVME0001', file: file('nvme') },
      { kind: 'sata', id: 'first', serial: 'SATA0001', file: file('first') },
      { kind: 'sata', id: 'second', serial: 'SATA0002', file: file('second') },
    ],
    setUp: `set -e
      modprobe -a dm_crypt btrfs sg
      stick=$(readlink -f /dev/disk/by-id/usb-*STICK0001-0:0)
      printf 'label: gpt\\nsize=8M, name="boot of it"\\nsize=16M\\n' | sfdisk --quiet $stick
      udevadm settle
      mkfs.vfat -n BOOT \${stick}1 > /dev/null
      mke2fs -q -t ext4 \${stick}2
      mkdir -p /media/card && mount \${stick}2 /media/card
      echo secret > /run/key
      ${format} luksFormat /dev/nvme0n1
      cryptsetup --key-file /run/key open /dev/nvme0n1 vault
      mke2fs -q -t ext4 /dev/mapper/vault && mkdir -p /srv/vault && mount /dev/mapper/vault /srv/vault
      disks=$(readlink -f /dev/disk/by-id/ata-*SATA000*)
      mkfs.btrfs -q -f -L pool $disks && btrfs device scan > /dev/null
      mkdir -p /srv/pool && mount \${disks%%[[:space:]]*} /srv/pool
      udevadm settle`,
    check(graph) {
      const stick = nameOf(graph, ({ kind, serial }) => kind === 'usb' && serial === 'STICK0001');
      expect(diskOf(graph, stick)).toMatchObject({
        port: expect.stringMatching(/^usb:\d+-\d+$/),
        lun: 0,
        removable: true,
      });
      expect(diskOf(graph, stick).genericNode).toMatch(/^\/dev\/sg\d+$/);
      expect(diskOf(graph, stick).usbId).toMatch(/^[0-9a-f]{4}:[0-9a-f]{4}$/);
      expect(diskOf(graph, stick).byIds).toEqual([expect.stringContaining('STICK0001')]);
      expect(
        diskOf(graph, stick).signatures?.map(({ type, label, tableType }) => [type, label, tableType]),
      ).toEqual([
        [null, null, 'gpt'],
        ['vfat', 'BOOT', null],
        ['ext4', null, null],
      ]);
      expect(
        diskOf(graph, stick).partitions.every(({ partUuid }) => /^[0-9a-f-]{36}$/.test(partUuid ?? '')),
      ).toBe(true);
      expect(usesOf(graph, stick)).toEqual([`mount /media/card on ${stick}2 through ${stick}2`]);

      const right = nameOf(graph, ({ kind, lun }) => kind === 'usb' && lun === 1);
      const { port } = diskOf(graph, right);
      expect(graph.emptyReaders).toContainEqual({ port, lun: 0, name: expect.any(String) });
      expect(diskOf(graph, right).uses).toEqual([]);

      const card = nameOf(graph, ({ kind }) => kind === 'mmc-sd');
      expect(diskOf(graph, card)).toMatchObject({
        cid: expect.stringMatching(/^[0-9a-f]{32}$/),
        port: expect.stringMatching(/^mmc:\d$/),
      });
      const empty = graph.emptyReaders.filter((slot) => slot.port.startsWith('mmc:'));
      expect(empty).toHaveLength(1);
      expect(empty[0]?.port).not.toBe(diskOf(graph, card).port);

      const nvme = nameOf(graph, ({ kind }) => kind === 'nvme');
      expect(diskOf(graph, nvme)).toMatchObject({
        serial: 'NVME0001',
        port: expect.stringMatching(/^pci:0000:/),
      });
      expect(diskOf(graph, nvme).signatures?.map(({ type }) => type)).toEqual(['crypto_LUKS']);
      expect(usesOf(graph, nvme)).toEqual([
        `holder dm-0 (vault) on ${nvme}`,
        `mount /srv/vault on ${nvme} through dm-0 (vault)`,
      ]);

      const sata = graph.disks.filter(({ kind }) => kind === 'sata');
      expect(sata.map(({ serial }) => serial).toSorted()).toEqual(['SATA0001', 'SATA0002']);
      for (const { name } of sata) {
        expect(usesOf(graph, name)).toEqual([
          `btrfs-member btrfs pool on ${name}`,
          `mount /srv/pool on ${name}`,
        ]);
      }
      expect(
        graph.disks.flatMap(({ name, unseen }) =>
          unseen.filter(({ decides }) => decides).map(({ what, why }) => `${name} ${what} ${why}`),
        ),
      ).toEqual([]);
    },
  },
  {
    name: 'guest-root-on-sd',
    note: 'a machine that runs from its SD card, with another card in a USB reader',
    disks: (file) => [
      { kind: 'mmc', id: 'card', file: file('root') },
      { kind: 'usb', id: 'stick', serial: 'STICK0002', file: file('stick') },
    ],
    rootNode: '/dev/mmcblk0p1',
    setUp: 'udevadm settle',
    check(graph) {
      expect(diskOf(graph, 'mmcblk0').kind).toBe('mmc-sd');
      expect(usesOf(graph, 'mmcblk0')).toContain('mount / on mmcblk0p1 through mmcblk0p1');
      const stick = nameOf(graph, ({ kind }) => kind === 'usb');
      expect(diskOf(graph, stick)).toMatchObject({ serial: 'STICK0002', uses: [], signatures: [] });
    },
  },
];
