/**
 * Machines composed by recipe, for hardware that was not at hand. Paths and attributes are those of the kernel's
 * documentation (sysfs-block, sysfs-bus-usb, mmc-dev-attrs, mmc-dev-parts) and of source read beforehand; where a
 * layout is from memory the recipe says so. CIDs: the constructed example whose CRC was computed (SD Physical Layer
 * Simplified Specification, 5.2), and variations of it.
 */
import type { Capture } from '../../src/devices/replay/capture.ts';
import { captureMachine } from '../../src/devices/replay/capture-machine.ts';
import { cardMachines } from './card-machines.ts';
import {
  ext4,
  gib,
  type MachineRecipe,
  mapping,
  mmcCard,
  sdCard,
  slot,
  station,
  usbDevice,
  virtualDisk,
} from './machine-parts.ts';
import { MakeBelieveMachine } from './make-machine.ts';

const recipes: Record<string, MachineRecipe> = {
  ...cardMachines,
  'usb-reader-two-slots': {
    note: 'a USB reader with two slots, a card in the second only, beside a station on SATA',
    make() {
      const machine = station();
      slot(machine, '1-2.3', 0, { name: 'sdb', numbers: '8:16', sizeBytes: 0 });
      slot(machine, '1-2.3', 1, { name: 'sdc', numbers: '8:32', sizeBytes: 31_914_983_424, diskseq: 12 });
      return machine.link('/dev/disk/by-id/usb-Generic-_Slot_1_20120501030900000-0:1', '../../sdc');
    },
  },
  'usb-reader-both-full': {
    note: 'the same reader with a card in each slot',
    make() {
      const machine = station();
      slot(machine, '1-2.3', 0, { name: 'sdb', numbers: '8:16', sizeBytes: 4 * gib });
      slot(machine, '1-2.3', 1, { name: 'sdc', numbers: '8:32', sizeBytes: 8 * gib });
      return machine;
    },
  },
  'sd-in-mmc-host': {
    note: 'an SD card in one mmc host, a second host empty, and a module waiting in its boot mode on USB',
    make() {
      const machine = station();
      const block = mmcCard(machine, 0, 'aaaa', sdCard);
      machine.folder('/sys/devices/platform/soc/fe350000.mmc/mmc_host/mmc1');
      machine.link('/sys/class/mmc_host/mmc1', '/sys/devices/platform/soc/fe350000.mmc/mmc_host/mmc1');
      machine
        .file('/sys/bus/usb/devices/2-1/idVendor', '0a5c\n')
        .file('/sys/bus/usb/devices/2-1/idProduct', '2711\n');
      return machine.disk({ path: `${block}/mmcblk0`, numbers: '179:0', sizeBytes: 31_914_983_424 });
    },
  },
  'emmc-with-boot-areas': {
    note: 'soldered eMMC with boot areas and a replay-protected one, worn; the station runs from SATA',
    make() {
      const machine = station();
      const block = mmcCard(machine, 1, '0001', {
        type: 'MMC',
        cid: 'fe0100454d333247580712345678a200',
        name: 'EM32GX',
        manfid: '0x0000fe',
        serial: '0x12345678',
        life_time: '0x02 0x0b',
        pre_eol_info: '0x02',
      });
      machine.disk({ path: `${block}/mmcblk1`, numbers: '179:0', sizeBytes: 31_268_536_320 });
      for (const [at, area] of ['boot0', 'boot1', 'rpmb'].entries()) {
        machine.disk({
          path: `${block}/mmcblk1/mmcblk1${area}`,
          numbers: `179:${32 * (at + 1)}`,
          sizeBytes: 4 << 20,
          readOnly: area !== 'rpmb',
          attributes: area === 'rpmb' ? {} : { force_ro: '1' },
        });
      }
      return machine;
    },
  },
  'root-on-sd': {
    note: 'a board that runs from its SD card, a copy of which is in a USB reader: same UUIDs on both',
    make() {
      const machine = new MakeBelieveMachine();
      const content = { ...ext4('99999999-0000-0000-0000-000000000001'), ID_PART_ENTRY_UUID: 'c0ffee00-02' };
      const boot = { ID_FS_TYPE: 'vfat', ID_FS_LABEL_ENC: 'BOOT', ID_PART_ENTRY_UUID: 'c0ffee00-01' };
      const parts = (stem: string, major: string, minor: number) => ({
        [`${stem}1`]: { numbers: `${major}:${minor + 1}`, startMib: 4, sizeMib: 256, content: boot },
        [`${stem}2`]: { numbers: `${major}:${minor + 2}`, startMib: 260, sizeMib: 4000, content },
      });
      const block = mmcCard(machine, 0, 'aaaa', sdCard);
      machine.disk({
        path: `${block}/mmcblk0`,
        numbers: '179:0',
        sizeBytes: 32 * gib,
        partitions: parts('mmcblk0p', '179', 0),
      });
      slot(machine, '1-1', 0, {
        name: 'sda',
        numbers: '8:0',
        sizeBytes: 32 * gib,
        partitions: parts('sda', '8', 0),
      });
      machine
        .mount('179:2', '/', 'ext4', '/dev/root')
        .mount('179:1', '/boot/firmware', 'vfat', '/dev/mmcblk0p1');
      machine.file('/proc/cmdline', 'console=tty1 root=PARTUUID=c0ffee00-02 rootfstype=ext4 rootwait\n');
      return machine.file(
        '/etc/fstab',
        'PARTUUID=c0ffee00-02 / ext4 defaults 0 1\nPARTUUID=c0ffee00-01 /boot/firmware vfat defaults 0 2\n',
      );
    },
  },
  'lvm-over-luks-on-nvme': {
    note: 'NVMe with an EFI partition that is not mounted, /boot, and LVM over LUKS with / and swap',
    make() {
      const luks = {
        ID_FS_TYPE: 'crypto_LUKS',
        ID_FS_USAGE: 'crypto',
        ID_FS_UUID_ENC: '77777777-0000-0000-0000-000000000001',
      };
      const efi = { ID_FS_TYPE: 'vfat', ID_PART_ENTRY_UUID: '12345678-9abc-def0-1122-334455667788' };
      const machine = new MakeBelieveMachine()
        .file('/sys/devices/pci0000:00/0000:00:1d.0/0000:01:00.0/nvme/nvme0/serial', 'S4EVNX0N000001\n')
        .file('/sys/devices/pci0000:00/0000:00:1d.0/0000:01:00.0/nvme/nvme0/model', 'Quick Disk 500\n')
        .disk({
          path: 'pci0000:00/0000:00:1d.0/0000:01:00.0/nvme/nvme0/nvme0n1',
          numbers: '259:0',
          sizeBytes: 500 * gib,
          partitions: {
            nvme0n1p1: { numbers: '259:1', startMib: 1, sizeMib: 512, content: efi },
            nvme0n1p2: {
              numbers: '259:2',
              startMib: 513,
              sizeMib: 512,
              content: ext4('88888888-0000-0000-0000-000000000002'),
            },
            nvme0n1p3: { numbers: '259:3', startMib: 1025, sizeMib: 400_000, content: luks },
          },
        })
        .disk(mapping('dm-0', '253:0', 'keep', ['nvme0n1p3'], { ID_FS_TYPE: 'LVM2_member' }))
        .disk(mapping('dm-1', '253:1', 'vg0-root', ['dm-0'], ext4('66666666-0000-0000-0000-000000000006')))
        .disk(mapping('dm-2', '253:2', 'vg0-swap', ['dm-0'], { ID_FS_TYPE: 'swap' }))
        .link('/dev/mapper/vg0-root', '../dm-1')
        .mount('253:1', '/', 'ext4', '/dev/mapper/vg0-root')
        .mount('259:2', '/boot', 'ext4', '/dev/nvme0n1p2')
        .file('/proc/swaps', 'Filename Type Size Used Priority\n/dev/dm-2 partition 1000 0 -2\n')
        .file('/proc/cmdline', 'root=/dev/mapper/vg0-root ro quiet\n')
        .file('/etc/crypttab', 'keep UUID=77777777-0000-0000-0000-000000000001 none luks\n')
        .file('/etc/fstab', '/dev/mapper/vg0-root / ext4 defaults 0 1\n');
      const loader = Buffer.from('12345678-9ABC-DEF0-1122-334455667788\0', 'utf16le');
      return machine.file(
        '/sys/firmware/efi/efivars/LoaderDevicePartUUID-4a67b082-0a4c-41cf-b6c7-440b29bb8c4f',
        Buffer.concat([Buffer.of(6, 0, 0, 0), loader]),
      );
    },
  },
  'md-mirror-root': {
    note: '/ on a mirror of two SATA disks',
    make() {
      const machine = new MakeBelieveMachine();
      const member = { ID_FS_TYPE: 'linux_raid_member', ID_FS_USAGE: 'raid' };
      for (const [at, name] of ['sda', 'sdb'].entries()) {
        machine.disk({
          path: `pci0000:00/0000:00:1f.2/ata${at + 1}/host${at}/target${at}:0:0/${at}:0:0:0/block/${name}`,
          numbers: `8:${16 * at}`,
          sizeBytes: 100 * gib,
          partitions: {
            [`${name}1`]: { numbers: `8:${16 * at + 1}`, startMib: 1, sizeMib: 90_000, content: member },
          },
        });
      }
      machine.disk(virtualDisk('md0', '9:0', { slaves: ['sda1', 'sdb1'] }));
      return machine.mount('9:0', '/', 'ext4', '/dev/md0');
    },
  },
  'btrfs-root-over-two': {
    note: '/ on a btrfs over a SATA disk and a USB disk; /home is a subvolume of it',
    make() {
      const machine = new MakeBelieveMachine();
      machine.disk({
        path: 'pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0/block/sda',
        numbers: '8:0',
        sizeBytes: 100 * gib,
      });
      const unit = `${usbDevice(machine, '1-4', 'D15C0001')}/1-4:1.0/host3/target3:0:0/3:0:0:0`;
      machine.disk({ path: `${unit}/block/sdb`, numbers: '8:16', sizeBytes: 100 * gib });
      const uuid = '55555555-0000-0000-0000-000000000005';
      for (const name of ['sda', 'sdb'])
        machine.link(`/sys/fs/btrfs/${uuid}/devices/${name}`, `/sys/block/${name}`);
      machine.folder('/sys/fs/btrfs/features').file(`/sys/fs/btrfs/${uuid}/label`, '\n');
      return machine.mount('0:25', '/', 'btrfs', '/dev/sda').mount('0:25', '/home', 'btrfs', '/dev/sda');
    },
  },
  'live-stick-squashfs': {
    note: 'a live system: / is an overlay over a squashfs in a file on the stick it started from',
    make() {
      const machine = new MakeBelieveMachine();
      const unit = `${usbDevice(machine, '1-3', 'LIVE0001')}/1-3:1.0/host2/target2:0:0/2:0:0:0`;
      machine.disk({
        path: `${unit}/block/sda`,
        numbers: '8:0',
        sizeBytes: 16 * gib,
        removable: true,
        partitions: { sda1: { numbers: '8:1', startMib: 1, sizeMib: 8000, content: { ID_FS_TYPE: 'vfat' } } },
      });
      const file = '/run/live/medium/live/filesystem.squashfs';
      machine.disk(
        virtualDisk('loop0', '7:0', { readOnly: true, attributes: { 'loop/backing_file': file } }),
      );
      machine.mount('8:1', '/run/live/medium', 'vfat', '/dev/sda1').file(file, '');
      machine.mount('7:0', '/run/live/rootfs', 'squashfs', '/dev/loop0');
      machine.mount('0:30', '/run/live/overlay', 'tmpfs', 'tmpfs').folder('/run/live/overlay/rw');
      const layers =
        'rw,lowerdir=/run/live/rootfs/,upperdir=/run/live/overlay/rw,workdir=/run/live/overlay/work';
      machine.folder('/run/live/overlay/work');
      machine.program(
        ['losetup', '--list', '--noheadings', '--raw', '--output', 'NAME,BACK-MAJ:MIN'],
        '/dev/loop0 \\x20\\x20\\x208:1\n',
      );
      return machine.mount('0:31', '/', 'overlay', 'overlay', layers);
    },
  },
  'live-stick-hidden-layers': {
    note: 'a live system whose layers were left behind in the start-up file system: / leads nowhere',
    make() {
      const machine = new MakeBelieveMachine();
      const unit = `${usbDevice(machine, '1-3', 'LIVE0002')}/1-3:1.0/host2/target2:0:0/2:0:0:0`;
      machine.disk({ path: `${unit}/block/sda`, numbers: '8:0', sizeBytes: 16 * gib, removable: true });
      return machine.mount(
        '0:31',
        '/',
        'overlay',
        'overlay',
        'rw,lowerdir=/left/behind,upperdir=/cow/up,workdir=/cow/wk',
      );
    },
  },
  'pool-on-zfs': {
    note: '/srv on a pool over one partition (layout of `zpool status -LP` from memory)',
    make() {
      const machine = station();
      machine.disk({
        path: 'pci0000:00/0000:00:1f.2/ata2/host1/target1:0:0/1:0:0:0/block/sdb',
        numbers: '8:16',
        sizeBytes: 100 * gib,
        partitions: {
          sdb3: { numbers: '8:19', startMib: 1, sizeMib: 90_000, content: { ID_FS_TYPE: 'zfs_member' } },
        },
      });
      const status =
        '  pool: tank\n state: ONLINE\nconfig:\n\n\tNAME         STATE     READ WRITE CKSUM\n\ttank         ONLINE       0     0     0\n\t  /dev/sdb3  ONLINE       0     0     0\n\nerrors: No known data errors\n';
      machine.program(['zpool', 'status', '-LP', 'tank'], status);
      return machine.mount('0:33', '/srv', 'zfs', 'tank/srv');
    },
  },
  'cached-disk': {
    note: '/srv on a bcache device over a SATA disk with its cache on NVMe, and a second cache set without a device',
    make() {
      const machine = station();
      const sata = (at: number) =>
        `pci0000:00/0000:00:1f.2/ata${at}/host${at}/target${at}:0:0/${at}:0:0:0/block`;
      machine.disk({ path: `${sata(3)}/sdb`, numbers: '8:16', sizeBytes: 100 * gib });
      machine.disk({
        path: 'pci0000:00/0000:00:1d.0/nvme/nvme0/nvme0n1',
        numbers: '259:0',
        sizeBytes: 10 * gib,
      });
      machine.disk({ path: `${sata(4)}/sdc`, numbers: '8:32', sizeBytes: 10 * gib });
      machine.folder(`/sys/devices/${sata(4)}/sdc/bcache/set`);
      machine.disk(virtualDisk('bcache0', '251:0', { slaves: ['sdb', 'nvme0n1'] }));
      return machine.mount('251:0', '/srv', 'ext4', '/dev/bcache0');
    },
  },
};

export const composedNames = Object.keys(recipes);

export function composeMachine(name: string): MakeBelieveMachine {
  const recipe = recipes[name];
  if (!recipe) throw new Error(`no recipe "${name}"; there are ${composedNames.join(', ')}`);
  return recipe.make();
}

/** The capture of a composed machine, made by the same recorder as those of real ones. */
export async function composeCapture(name: string): Promise<Capture> {
  const note = `composed, not captured: ${recipes[name]?.note}`;
  const { capture } = await captureMachine(composeMachine(name).reader(), note);
  return { ...capture, origin: 'composed' };
}
