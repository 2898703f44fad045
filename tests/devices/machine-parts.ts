/** Parts of composed machines: an ordinary station, readers, card slots; see `make-machines.ts` for their sources. */
import { type DiskRecipe, MakeBelieveMachine } from './make-machine.ts';

/** A machine to be made, and what it is, in words. */
export interface MachineRecipe {
  note: string;
  make: () => MakeBelieveMachine;
}

export const gib = 2 ** 30;
const usbHost = 'pci0000:00/0000:00:14.0/usb1';

export const ext4 = (uuid: string): Record<string, string> => ({
  ID_FS_TYPE: 'ext4',
  ID_FS_USAGE: 'filesystem',
  ID_FS_UUID: uuid,
  ID_FS_UUID_ENC: uuid,
});

/** A virtual block device: loops, mappings, md. */
export const virtualDisk = (name: string, numbers: string, more: Partial<DiskRecipe> = {}): DiskRecipe => ({
  path: `virtual/block/${name}`,
  numbers,
  sizeBytes: gib,
  ...more,
});

export const mapping = (
  name: string,
  numbers: string,
  mapped: string,
  slaves: string[],
  content?: Record<string, string>,
) =>
  virtualDisk(name, numbers, { attributes: { 'dm/name': mapped }, slaves, ...(content ? { content } : {}) });

/** An ordinary station: `/` on the second partition of a SATA disk. */
export function station(): MakeBelieveMachine {
  return new MakeBelieveMachine()
    .disk({
      path: 'pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0/block/sda',
      numbers: '8:0',
      sizeBytes: 240 * gib,
      content: { ID_PART_TABLE_TYPE: 'gpt' },
      partitions: {
        sda1: {
          numbers: '8:1',
          startMib: 1,
          sizeMib: 512,
          content: { ID_FS_TYPE: 'vfat', ID_PART_ENTRY_UUID: 'aaaa-01' },
        },
        sda2: {
          numbers: '8:2',
          startMib: 513,
          sizeMib: 100_000,
          content: ext4('11111111-2222-3333-4444-555555555555'),
        },
      },
    })
    .mount('8:2', '/', 'ext4', '/dev/sda2')
    .mount('8:1', '/boot/efi', 'vfat', '/dev/sda1');
}

export function usbDevice(
  machine: MakeBelieveMachine,
  port: string,
  serial: string,
  connectType = 'hotplug',
): string {
  const folder = `${usbHost}/${port}`;
  machine.file(`/sys/devices/${folder}/serial`, `${serial}\n`);
  machine
    .file(`/sys/devices/${folder}/idVendor`, '1d6b\n')
    .file(`/sys/devices/${folder}/idProduct`, '0104\n');
  machine.file(`/sys/devices/${folder}/port/connect_type`, `${connectType}\n`);
  return folder;
}

/** One logical unit of a USB reader; its SCSI address is host 6, channel 0, target 0. */
export function slot(
  machine: MakeBelieveMachine,
  port: string,
  lun: number,
  disk: Omit<DiskRecipe, 'path'> & { name: string },
): void {
  const unit = `${usbDevice(machine, port, '20120501030900000')}/${port}:1.0/host6/target6:0:0/6:0:0:${lun}`;
  machine
    .file(`/sys/devices/${unit}/vendor`, 'Generic-\n')
    .file(`/sys/devices/${unit}/model`, `Slot ${lun}\n`);
  machine.folder(`/sys/devices/${unit}/scsi_generic/sg${lun + 2}`);
  machine.disk({ ...disk, path: `${unit}/block/${disk.name}`, removable: true });
}

const cid = '0353445343333247801234567801312f';

export function mmcCard(
  machine: MakeBelieveMachine,
  host: number,
  address: string,
  more: Record<string, string>,
): string {
  const folder = `platform/soc/fe340000.mmc/mmc_host/mmc${host}/mmc${host}:${address}`;
  machine.link(
    `/sys/class/mmc_host/mmc${host}`,
    `/sys/devices/platform/soc/fe340000.mmc/mmc_host/mmc${host}`,
  );
  for (const [name, value] of Object.entries(more))
    machine.file(`/sys/devices/${folder}/${name}`, `${value}\n`);
  return `${folder}/block`;
}

export const sdCard = { type: 'SD', cid, name: 'SC32G', manfid: '0x000003', serial: '0x12345678' };
