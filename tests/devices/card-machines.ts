/**
 * More composed machines (see `make-machines.ts`): the cards and disks that a station meets beside its own, each with
 * the one thing that makes it fit to be written or not. Sources: the kernel's sysfs-block, sysfs-bus-usb and
 * mmc-dev-attrs; places of disks in sysfs that these do not give are from memory.
 */
import {
  ext4,
  gib,
  type MachineRecipe,
  mmcCard,
  sdCard,
  slot,
  station,
  usbDevice,
  virtualDisk,
} from './machine-parts.ts';
import { MakeBelieveMachine } from './make-machine.ts';

const boot = { ID_FS_TYPE: 'vfat', ID_FS_USAGE: 'filesystem', ID_FS_LABEL_ENC: 'BOOT' };

/** A card as a node leaves it: a boot volume and a root one. */
function nodeCard(name: string, minor: number) {
  return {
    name,
    numbers: `8:${minor}`,
    sizeBytes: 32 * gib,
    partitions: {
      [`${name}1`]: { numbers: `8:${minor + 1}`, startMib: 4, sizeMib: 256, content: boot },
      [`${name}2`]: {
        numbers: `8:${minor + 2}`,
        startMib: 260,
        sizeMib: 4000,
        content: ext4('44444444-0000-0000-0000-000000000004'),
      },
    },
  };
}

const secondCid = '1b534d454231515430a1b2c3d40157f3';

const usbDisk = (machine: MakeBelieveMachine, port: string, connectType: string) =>
  `${usbDevice(machine, port, `DISK-${port}`, connectType)}/${port}:1.0/host7/target7:0:0/7:0:0:0/block`;

export const cardMachines: Record<string, MachineRecipe> = {
  'two-sd-cards': {
    note: 'a board with two SD hosts and a card in each, alike but for their CIDs',
    make() {
      const machine = station();
      for (const [host, cid] of [sdCard.cid, secondCid].entries()) {
        const block = mmcCard(machine, host, 'aaaa', { ...sdCard, cid });
        machine.disk({ path: `${block}/mmcblk${host}`, numbers: `179:${host * 8}`, sizeBytes: 32 * gib });
      }
      return machine;
    },
  },
  'root-on-emmc': {
    note: 'a board that runs from its soldered eMMC, with a card in its SD slot',
    make() {
      const machine = new MakeBelieveMachine();
      const emmc = mmcCard(machine, 0, '0001', { type: 'MMC', cid: 'fe0100454d333247580712345678a200' });
      machine.disk({
        path: `${emmc}/mmcblk0`,
        numbers: '179:0',
        sizeBytes: 16 * gib,
        partitions: { mmcblk0p1: { numbers: '179:1', startMib: 4, sizeMib: 8000, content: ext4('e') } },
      });
      const card = mmcCard(machine, 1, 'aaaa', sdCard);
      machine.disk({ path: `${card}/mmcblk1`, numbers: '179:8', sizeBytes: 32 * gib });
      return machine.mount('179:1', '/', 'ext4', '/dev/mmcblk0p1');
    },
  },
  'root-on-network': {
    note: 'a station without a disk, / on the network, and a card in a reader',
    make() {
      const machine = new MakeBelieveMachine();
      slot(machine, '1-1', 0, nodeCard('sda', 0));
      return machine.mount('0:60', '/', 'nfs4', 'server.example.org:/station');
    },
  },
  'card-opened-by-desktop': {
    note: 'a used card in a reader; the desktop has mounted both of its volumes below /media',
    make() {
      const machine = station();
      slot(machine, '1-1', 0, nodeCard('sdb', 16));
      return machine
        .mount('8:17', '/media/grower/BOOT', 'vfat', '/dev/sdb1')
        .mount('8:18', '/media/grower/root', 'ext4', '/dev/sdb2');
    },
  },
  'card-put-to-use': {
    note: 'a card that the station uses as its own: one volume is /srv/data, the other stands in fstab',
    make() {
      const machine = station();
      slot(machine, '1-1', 0, nodeCard('sdb', 16));
      machine.file('/etc/fstab', '/dev/sdb1 /spare vfat noauto 0 0\n');
      return machine.mount('8:18', '/srv/data', 'ext4', '/dev/sdb2');
    },
  },
  'card-within-card': {
    note: 'two used cards, the second mounted inside the first',
    make() {
      const machine = station();
      slot(machine, '1-1', 0, nodeCard('sdb', 16));
      slot(machine, '1-2', 0, nodeCard('sdc', 32));
      return machine
        .mount('8:18', '/media/one', 'ext4', '/dev/sdb2')
        .mount('8:34', '/media/one/two', 'ext4', '/dev/sdc2');
    },
  },
  'card-swapped-to': {
    note: 'a small station that swaps to a USB disk',
    make() {
      const machine = station();
      slot(machine, '1-1', 0, nodeCard('sdb', 16));
      return machine.file(
        '/proc/swaps',
        'Filename Type Size Used Priority\n/dev/sdb2 partition 4095996 0 -2\n',
      );
    },
  },
  'card-held-by-machine': {
    note: 'a virtual machine holds the card in the reader open',
    make() {
      const machine = station();
      slot(machine, '1-1', 0, nodeCard('sdb', 16));
      return machine.process(4711, 'guest-of-kvm', { '12': '/dev/sdb' });
    },
  },
  'backup-disks': {
    note: 'an encrypted stick, an NTFS disk of 2 TB and a card that holds a member of a volume group',
    make() {
      const machine = station();
      const vault = { ID_FS_TYPE: 'crypto_LUKS', ID_FS_USAGE: 'crypto', ID_FS_LABEL_ENC: 'VAULT' };
      slot(machine, '1-1', 0, { name: 'sdb', numbers: '8:16', sizeBytes: 64 * gib, content: vault });
      machine.disk({
        path: `${usbDisk(machine, '1-2', 'hotplug')}/sdc`,
        numbers: '8:32',
        sizeBytes: 2000 * gib,
        partitions: {
          sdc1: {
            numbers: '8:33',
            startMib: 1,
            sizeMib: 1_900_000,
            content: { ID_FS_TYPE: 'ntfs', ID_FS_USAGE: 'filesystem', ID_FS_LABEL_ENC: 'Photos' },
          },
        },
      });
      const member = { ID_FS_TYPE: 'LVM2_member', ID_FS_USAGE: 'raid', ID_FS_UUID_ENC: 'abcdef-0123' };
      slot(machine, '1-3', 0, { name: 'sdd', numbers: '8:48', sizeBytes: 32 * gib, content: member });
      return machine;
    },
  },
  'locked-and-tiny-cards': {
    note: 'a card with its write protection on, one of 4 MiB, and a disk whose sectors have 4096 bytes',
    make() {
      const machine = station();
      slot(machine, '1-1', 0, { name: 'sdb', numbers: '8:16', sizeBytes: 8 * gib, readOnly: true });
      slot(machine, '1-2', 0, { name: 'sdc', numbers: '8:32', sizeBytes: 4 << 20 });
      slot(machine, '1-3', 0, { name: 'sdd', numbers: '8:48', sizeBytes: 64 * gib, blockBytes: 4096 });
      return machine;
    },
  },
  'built-in-usb': {
    note: 'a USB disk and a card reader, both wired to the board: the reader has a medium that comes and goes',
    make() {
      const machine = station();
      const disk = usbDisk(machine, '1-5', 'hardwired');
      machine.disk({ path: `${disk}/sdb`, numbers: '8:16', sizeBytes: 64 * gib });
      machine.link('/dev/disk/by-id/usb-Generic-_Disk_DISK-1-5-0:0', '../../sdb');
      const reader = `${usbDevice(machine, '1-6', 'READER01', 'hardwired')}/1-6:1.0/host8/target8:0:0/8:0:0:0`;
      return machine.disk({
        path: `${reader}/block/sdc`,
        numbers: '8:32',
        sizeBytes: 32 * gib,
        removable: true,
      });
    },
  },
  'no-cards-at-all': {
    note: 'what the kernel lists beside disks: optical, network, RAM, compressed memory, a hidden path, a memory stick',
    make() {
      const machine = station();
      machine.disk({
        path: 'pci0000:00/0000:00:1f.2/ata3/host2/target2:0:0/2:0:0:0/block/sr0',
        numbers: '11:0',
        sizeBytes: gib,
        removable: true,
      });
      machine.disk(virtualDisk('nbd0', '43:0')).disk(virtualDisk('ram0', '1:0'));
      machine.disk(virtualDisk('zram0', '252:0')).disk(virtualDisk('dcssblk0', '240:0'));
      machine.disk({
        path: 'pci0000:00/0000:00:1d.0/0000:01:00.0/nvme/nvme0/nvme0c0n1',
        numbers: '259:1',
        sizeBytes: 500 * gib,
        hidden: true,
      });
      return machine.disk({
        path: 'pci0000:00/0000:02:00.0/memstick_host/memstick0/memstick0/block/mspblk0',
        numbers: '253:0',
        sizeBytes: 4 * gib,
      });
    },
  },
};
