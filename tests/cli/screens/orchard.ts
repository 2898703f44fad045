import type { JudgedDisk } from '../../../src/cli/screens/devices-screen.ts';
import type { DeviceGraph, Disk } from '../../../src/contract/devices.ts';
import { finding } from '../../../src/contract/finding.ts';
import type { MechanismFacts } from '../../../src/contract/identity.ts';
import type { ImageFacts } from '../../../src/contract/image.ts';
import type { JobResult } from '../../../src/contract/job.ts';
import { carriedBy } from '../../../src/identity/what-is-carried.ts';

/** The orchard's bench: two readers with cards, the station's own disk, an empty slot. Invented data. */
export const imageBytes = 1_873_805_312;

function disk(name: string, over: Partial<Disk>): Disk {
  return {
    name,
    node: `/dev/${name}`,
    majorMinor: '8:16',
    port: null,
    lun: 0,
    vendor: null,
    model: null,
    serial: null,
    cid: null,
    sizeBytes: 31_914_983_424,
    diskseq: 7,
    kind: 'usb',
    logicalBlockBytes: 512,
    physicalBlockBytes: 512,
    readOnly: false,
    hidden: false,
    removable: true,
    usbConnectType: 'hotplug',
    usbId: null,
    byIds: [],
    partitions: [],
    backingFile: null,
    signatures: [],
    uses: [],
    wear: null,
    genericNode: null,
    description: null,
    unseen: [],
    ...over,
  };
}

function partition(of: string, number: number, startBytes: number, sizeBytes: number) {
  const name = /\d$/.test(of) ? `${of}p${number}` : `${of}${number}`;
  return {
    name,
    node: `/dev/${name}`,
    majorMinor: `8:${16 + number}`,
    number,
    startBytes,
    sizeBytes,
    partUuid: null,
  };
}

function signature(on: string, type: string, label: string | null, fileCount: number | null = null) {
  return { on, type, usage: 'filesystem', label, uuid: null, tableType: null, fileCount };
}

export const cardIdentity = disk('sdb', {
  port: 'usb:1-2',
  vendor: 'STORAGE',
  model: 'DEVICE',
  partitions: [partition('sdb', 1, 4_194_304, 512_000_000), partition('sdb', 2, 516_194_304, 31_398_789_120)],
  signatures: [signature('sdb1', 'vfat', 'BOOT'), signature('sdb2', 'ext4', null)],
});

export const photoCard = disk('mmcblk0', {
  kind: 'mmc-sd',
  port: 'mmc:0',
  model: 'SC32G',
  serial: '0x12345678',
  cid: '0353445343333247801234567801312f',
  partitions: [partition('mmcblk0', 1, 4_194_304, 31_910_789_120)],
  signatures: [signature('mmcblk0p1', 'vfat', 'PHOTOS', 412)],
  uses: [
    {
      kind: 'mount',
      what: '/media/grower/PHOTOS',
      on: 'mmcblk0p1',
      through: [],
      namespace: 'own',
      fsType: 'vfat',
      options: 'rw',
      pid: null,
    },
  ],
});

export const stationDisk = disk('nvme0n1', {
  kind: 'nvme',
  port: 'pci:0000:01:00.0',
  model: 'SSD 512GB',
  serial: 'S0000001',
  sizeBytes: 512_110_190_592,
  removable: false,
  partitions: [
    partition('nvme0n1', 1, 1_048_576, 536_870_912),
    partition('nvme0n1', 2, 537_919_488, 511_572_271_104),
  ],
  signatures: [signature('nvme0n1p1', 'vfat', 'EFI'), signature('nvme0n1p2', 'crypto_LUKS', null)],
  unseen: [{ what: 'open descriptors of other processes', why: 'EACCES', decides: true }],
});

export const wornModule = disk('mmcblk1', {
  kind: 'mmc-emmc',
  port: 'mmc:1',
  model: 'DG4032',
  serial: '0xa1b2c3d4',
  cid: '15010044473430333201a1b2c3d4c7f3',
  sizeBytes: 31_268_536_320,
  wear: { lifeTimeA: 2, lifeTimeB: 11, preEndOfLife: 2 },
});

export const graph: DeviceGraph = {
  disks: [cardIdentity, photoCard, stationDisk, wornModule],
  emptyReaders: [
    { port: 'usb:1-3', lun: 1, name: null },
    {
      port: 'usb:2-1',
      lun: null,
      name: 'a module that waits in its boot mode (0a5c:2711)',
      bootModeId: '0a5c:2711',
    },
  ],
  unseen: [],
  untraced: [],
};

export const judged: JudgedDisk[] = [
  {
    disk: stationDisk,
    result: {
      verdict: 'refused',
      findings: [
        finding('guard.mounted-elsewhere', 'refuse', {
          disk: 'nvme0n1',
          what: '/',
          through: 'nvme0n1p2 → luks → vg0-root',
        }),
        finding('guard.swap', 'refuse', { disk: 'nvme0n1', what: '/dev/dm-1', through: 'vg0-swap' }),
        finding('guard.fixed-disk', 'refuse', { disk: 'nvme0n1', kind: 'an NVMe disk' }),
      ],
    },
    code: null,
    lastWritten: null,
  },
  {
    disk: cardIdentity,
    result: { verdict: 'allowed', findings: [] },
    code: 'K7QF',
    lastWritten: '3 Nov as orchard-05 (record 9)',
  },
  {
    disk: photoCard,
    result: {
      verdict: 'needs approval',
      findings: [
        finding('guard.mounted', 'ask', {
          disk: 'mmcblk0',
          what: '/media/grower/PHOTOS',
          on: 'mmcblk0p1',
          fsType: 'vfat',
        }),
        finding('guard.archive', 'ask', {
          disk: 'mmcblk0',
          on: 'mmcblk0p1',
          type: 'vfat',
          name: 'PHOTOS',
          files: 412,
          demanded: 'PHOTOS',
        }),
      ],
    },
    code: '9MXA',
    lastWritten: null,
  },
  {
    disk: wornModule,
    result: {
      verdict: 'refused',
      findings: [
        finding('guard.soldered', 'refuse', { disk: 'mmcblk1', kind: 'an eMMC module on the board' }),
      ],
    },
    code: null,
    lastWritten: null,
  },
];

export const layout = [
  { number: 1, startByte: 4_194_304, sizeBytes: 83_886_080 },
  { number: 2, startByte: 88_080_384, sizeBytes: 1_785_724_928 },
];

export const goodResult: JobResult = {
  recordId: 14,
  card: 'done',
  identity: cardIdentity,
  findings: [],
  times: [
    { phase: 'write', elapsedMs: 88_800, bytes: imageBytes },
    { phase: 'verify', elapsedMs: 21_050, bytes: imageBytes },
  ],
  bytesReadBack: imageBytes,
  sectorsRead: 3_659_776,
};

export const imageFacts: ImageFacts = {
  path: 'images/node-os.img.xz',
  container: 'xz',
  packedBytes: 486_123_456,
  sizeBytes: imageBytes,
  sizeFrom: 'format',
  memberName: null,
  shape: 'partitioned',
  table: {
    kind: 'mbr',
    sectorBytes: 512,
    diskId: '12345678',
    partitions: [
      { number: 1, startByte: 4_194_304, sizeBytes: 83_886_080, type: '0c', name: null, bootable: true },
      { number: 2, startByte: 88_080_384, sizeBytes: 1_785_724_928, type: '83', name: null, bootable: false },
    ],
  },
  volumes: [
    { partition: 1, startByte: 4_194_304, sizeBytes: 83_886_080, type: 'fat32', label: 'BOOT' },
    { partition: 2, startByte: 88_080_384, sizeBytes: 1_785_724_928, type: 'ext4', label: 'root' },
  ],
  bootVolume: { partition: 1, startByte: 4_194_304, sizeBytes: 83_886_080, type: 'fat32', label: 'BOOT' },
  packedSha256: 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad',
  findings: [],
};

export const nocloud: MechanismFacts = {
  mechanism: 'nocloud-files',
  evidence: ['user-data', 'meta-data'],
  carries: carriedBy('nocloud-files'),
  because: {},
  reason: null,
  remarks: [],
};

export const hostKey = 'SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8';
