/** What kind of thing a whole-disk node is, by where it hangs in sysfs. */
export type DiskKind =
  | 'usb'
  | 'mmc-sd'
  | 'mmc-emmc'
  | 'mmc-boot'
  | 'memstick'
  | 'nvme'
  | 'sata'
  | 'scsi'
  | 'virtio'
  | 'optical'
  | 'loop'
  | 'device-mapper'
  | 'md'
  | 'zram'
  | 'ram'
  | 'nbd'
  | 'other-virtual'
  | 'unknown';

/** What stands on a disk, or on something that stands on it. */
export type UseKind =
  | 'mount'
  | 'swap'
  | 'holder'
  | 'btrfs-member'
  | 'loop-backing'
  | 'open-descriptor'
  | 'boot-chain'
  | 'configured';

/**
 * One use of a disk. `through` names the stack from the disk upwards ("sda2", "dm-0 (vg0-root)"), so evidence
 * reads "holds / through vg0-root".
 */
export interface DiskUse {
  kind: UseKind;
  /** mount point, swap path, holder name, backing file, `pid 12 (qemu)`, `root=` … */
  what: string;
  /** the partition or disk of this disk on which it stands, e.g. "sda2" */
  on: string;
  through: string[];
  /** where a mount was seen: in our own namespace, in that of process 1, or in another's */
  namespace: 'own' | 'init' | null;
  /** for a mount: the file-system type; else null */
  fsType: string | null;
  /** for a mount: its options as the kernel lists them, `ro` or `rw` first; else null */
  options: string | null;
  /** for an open descriptor: the process; else null */
  pid: number | null;
}

/** What blkid (low-level probing) found on the disk or on a partition of it. */
export interface Signature {
  /** disk or partition name, e.g. "sdb1" */
  on: string;
  /** blkid TYPE: vfat, ext4, crypto_LUKS, LVM2_member, … ; null where there is only a partition table */
  type: string | null;
  usage: string | null;
  label: string | null;
  uuid: string | null;
  /** blkid PTTYPE (dos, gpt) where this is a partition table */
  tableType: string | null;
  /** how many files the volume holds, where somebody counted them; absent otherwise */
  fileCount?: number | null;
}

export interface Partition {
  name: string;
  node: string;
  majorMinor: string;
  number: number;
  startBytes: number;
  sizeBytes: number;
  partUuid: string | null;
}

/** eMMC wear as the kernel tells it (JEDEC eMMC 5.0+): 0x01 = 0-10 % used … 0x0A = 90-100 %, 0x0B = exceeded. */
export interface Wear {
  lifeTimeA: number | null;
  lifeTimeB: number | null;
  /** pre_eol_info: 1 normal, 2 warning (80 % of reserve used), 3 urgent */
  preEndOfLife: number | null;
}

/** What distinguishes one card in one reader from any other; re-read at every step of a job. */
export interface CardIdentity {
  node: string;
  majorMinor: string;
  /** reader's place, e.g. "usb:1-2", "mmc:0", "pci:0000:00:05.0"; null when sysfs does not tell */
  port: string | null;
  lun: number | null;
  vendor: string | null;
  model: string | null;
  serial: string | null;
  cid: string | null;
  sizeBytes: number;
  diskseq: number | null;
}

export interface Disk extends CardIdentity {
  name: string;
  kind: DiskKind;
  logicalBlockBytes: number;
  physicalBlockBytes: number;
  readOnly: boolean;
  hidden: boolean;
  /** the kernel's removable-medium flag: shown, never decides */
  removable: boolean;
  /** `hotplug`, `hardwired`, `not used`, `unknown`; null off USB */
  usbConnectType: string | null;
  /** "0a5c:2711" of the USB device that carries the disk */
  usbId: string | null;
  /** by-id links that point here */
  byIds: string[];
  /** by-uuid, by-label and by-partuuid links that point to the disk or a partition of it */
  partitions: Partition[];
  /** for a loop device: its backing file, as the kernel gives it */
  backingFile: string | null;
  /** what blkid says stands on it now; null when it could not be read */
  signatures: Signature[] | null;
  uses: DiskUse[];
  wear: Wear | null;
  /** the SCSI generic node beside it, for ejecting, e.g. "/dev/sg2" */
  genericNode: string | null;
  /** what drivelist calls it; shown only */
  description: string | null;
  /** facts about this disk that could not be had, each a reason to refuse */
  unseen: UnseenFact[];
}

export interface UnseenFact {
  /** what is not known, in a few words: "open descriptors of other processes", "size" */
  what: string;
  why: string;
  /** false where it is only for show (drivelist, wear) and does not refuse */
  decides: boolean;
}

/** An empty slot of a reader, or a module that waits in its boot mode: worth saying, not a disk. */
export interface EmptyReader {
  port: string;
  lun: number | null;
  name: string | null;
  /** for a module: the USB id by which it was recognized, "0a5c:2711"; absent for a reader */
  bootModeId?: string;
}

export interface DeviceGraph {
  disks: Disk[];
  emptyReaders: EmptyReader[];
  /** facts about the whole machine that could not be had */
  unseen: UnseenFact[];
  /** major:minor of everything the running system depends on that could not be traced to a listed disk, e.g. "0:27 (/ as overlay)" */
  untraced: string[];
}
