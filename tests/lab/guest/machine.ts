/** The virtual machine as QEMU arguments: pure functions over the list of disks. */
import type { GuestKernel } from './kernel.ts';

/**
 * `usb` removable USB mass storage (bulk-only transport); `usbfixed` the same with a fixed medium; `uas` removable,
 * on USB attached SCSI: take it where a medium is changed while it is written, since the emulated bulk-only transport
 * loses step then (and its second slot never tells of a change, whatever the moment); `mmc` an SD card on an SD host of its
 * own (no hot-plug, but its medium can be changed; QEMU gives every card one CID, there is no eMMC);
 * `slot` one slot of a USB reader with several (name the reader); `nvme`, `sata`, `virtio` fixed disks.
 */
export type DiskKind = 'usb' | 'usbfixed' | 'uas' | 'slot' | 'mmc' | 'nvme' | 'sata' | 'virtio';

export interface GuestDisk {
  kind: DiskKind;
  /** raw image file; null for a reader without a card in it (usb, slot, mmc) */
  file: string | null;
  /** name for plugging and changing, letters and digits; "disk0", "disk1", … unless given */
  id?: string;
  /** serial number that the guest sees; the name unless given; an SD card has none but its CID */
  serial?: string;
  /** logical block size; 512 unless given; not for mmc */
  sectorBytes?: 512 | 4096;
  readOnly?: boolean;
  /** the port of the host that a `usb` or `usbfixed` disk is plugged into, from 1; the next free one unless given */
  port?: number;
  /** for `slot`: the reader's name; its slots are numbered (LUN 0, 1, …) in the order of the list */
  reader?: string;
}

export type NamedDisk = GuestDisk & { id: string };

/** Commas end a value in QEMU's lists; they are doubled. */
const value = (text: string) => text.replaceAll(',', ',,');

/** The image side: named after the disk, so that media are changed by that name. */
export function driveOption({ id, file, readOnly }: NamedDisk): string {
  const medium = file === null ? '' : `,format=raw,cache=writeback,file=${value(file)},file.locking=off`;
  return `if=none,id=${id}-medium${medium}${readOnly === true ? ',readonly=on' : ''}`;
}

/** How many of a kind the machine has so far; buses and slots are numbered by it. */
interface Counts {
  sataPorts: number;
  /** slots by reader */
  slots: Map<string, number>;
}

const noCounts = (): Counts => ({ sataPorts: 0, slots: new Map() });

/** A USB device and the SCSI disk in it, apart: QEMU's `usb-storage` takes neither block sizes nor a second slot. */
function apartOptions(disk: NamedDisk, reader: string, lun: number, blocks: string): string[] {
  const { id, kind, serial = id } = disk;
  const removable = kind === 'usbfixed' ? 'off' : 'on';
  const driver = kind === 'uas' ? 'usb-uas' : 'usb-bot';
  const usb =
    lun === 0 ? [`${driver},id=${reader},bus=xhci.0,serial=${value(kind === 'slot' ? reader : serial)}`] : [];
  const lunId = kind === 'slot' ? id : `${id}-lun`;
  return [
    ...usb,
    `scsi-hd,id=${lunId},bus=${reader}.0,lun=${lun},removable=${removable},drive=${id}-medium${blocks}`,
  ];
}

/** The device side: one or more devices, to be added in this order. */
export function deviceOptions(disk: NamedDisk, counts: Counts = noCounts()): string[] {
  const { id, kind, serial = id, sectorBytes, reader = 'reader' } = disk;
  const blocks = sectorBytes === 4096 ? ',logical_block_size=4096,physical_block_size=4096' : '';
  const common = `id=${id},drive=${id}-medium`;
  const port = disk.port === undefined ? '' : `,port=${disk.port}`;
  switch (kind) {
    case 'usb':
    case 'usbfixed': {
      if (blocks !== '') return apartOptions(disk, id, 0, blocks);
      const removable = kind === 'usb' ? 'on' : 'off';
      return [`usb-storage,bus=xhci.0${port},removable=${removable},serial=${value(serial)},${common}`];
    }
    case 'uas':
      return apartOptions(disk, id, 0, blocks);
    case 'slot': {
      const lun = counts.slots.get(reader) ?? 0;
      counts.slots.set(reader, lun + 1);
      return apartOptions(disk, reader, lun, blocks);
    }
    case 'mmc':
      // Every SD host calls its bus the same; a card goes to the first without one, so it follows its host at once.
      return [`sdhci-pci,id=${id}-host`, `sd-card,${common}`];
    case 'nvme':
      return [`nvme,serial=${value(serial)},${common}${blocks}`];
    case 'sata':
      return [`ide-hd,bus=ahci.${counts.sataPorts++},serial=${value(serial)},${common}${blocks}`];
    case 'virtio':
      return [`virtio-blk-pci,serial=${value(serial)},${common}${blocks}`];
  }
}

export function nameDisks(disks: readonly GuestDisk[]): NamedDisk[] {
  const named = disks.map((disk, at) => ({ ...disk, id: disk.id ?? `disk${at}` }));
  if (new Set(named.map(({ id }) => id)).size !== named.length) throw new Error('lab: two disks of one name');
  return named;
}

export interface MachineOptions {
  kernel: GuestKernel;
  disks: readonly NamedDisk[];
  memoryMiB: number;
  /** holds the sockets, the console's log and the folder that is the guest's /out */
  folder: string;
  /** node of the partition that is to hold /, e.g. "/dev/mmcblk0p1" */
  rootNode: string | null;
  /** systemd is process 1 */
  isManaged: boolean;
}

export const socketsIn = (folder: string) => ({ qmp: `${folder}/qmp`, commands: `${folder}/commands` });

/** No more than programs and modules of today ask for: vectors wider than this are slow to emulate. */
export const processor = 'qemu64,+ssse3,+sse4.1,+sse4.2,+popcnt,+pclmulqdq';

/** All arguments of qemu-system-x86_64: emulated (no KVM needed), no network, host's / read-only, /out shared. */
export function machineArguments(options: MachineOptions): string[] {
  const { kernel, disks, memoryMiB, folder, rootNode, isManaged } = options;
  // Readers' media are looked at every two seconds, as desktops have it.
  const append = ['console=ttyS0', 'quiet', 'panic=-1', 'block.events_dfl_poll_msecs=2000'];
  // Further loop devices come when they are asked for; eight idle ones would be looked at each time.
  append.push('loop.max_loop=1');
  if (rootNode !== null) append.push(`lab.root=${rootNode}`);
  if (isManaged) append.push('lab.systemd', 'systemd.show_status=no');
  const { qmp, commands } = socketsIn(folder);
  const counts = noCounts();
  return [
    ...['-accel', 'tcg,thread=multi', '-cpu', processor, '-smp', '2', '-m', String(memoryMiB)],
    ...[
      '-nodefaults',
      '-no-user-config',
      '-display',
      'none',
      '-no-reboot',
      '-serial',
      `file:${folder}/console`,
    ],
    ...['-kernel', kernel.imagePath, '-initrd', kernel.initramfsPath, '-append', append.join(' ')],
    ...['-virtfs', 'local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap'],
    ...['-virtfs', `local,path=${value(folder)}/out,mount_tag=out,security_model=none`],
    ...['-chardev', `socket,id=commands,path=${value(commands)},server=on,wait=off`],
    ...['-device', 'virtio-serial-pci', '-device', 'virtserialport,chardev=commands,name=lab'],
    ...['-qmp', `unix:${value(qmp)},server=on,wait=off`],
    ...['-device', 'qemu-xhci,id=xhci,p2=8,p3=8', '-device', 'ahci,id=ahci'],
    ...disks.flatMap((disk) => [
      ...['-drive', driveOption(disk)],
      ...deviceOptions(disk, counts).flatMap((option) => ['-device', option]),
    ]),
  ];
}
