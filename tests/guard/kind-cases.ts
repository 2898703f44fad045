import { refuseBootAreas } from '../../src/guard/rules/boot-area.ts';
import { requireCardKind } from '../../src/guard/rules/card-kind.ts';
import { refuseFixedDisks } from '../../src/guard/rules/fixed-disk.ts';
import { requireOwnLoopStorage } from '../../src/guard/rules/loop-storage.ts';
import { requireWithinSizeLimit } from '../../src/guard/rules/size-limit.ts';
import { requireWholeDisk } from '../../src/guard/rules/whole-disk.ts';
import { makeDisk, makeGraph, makeLoop, makePartition, makePolicy, makeUse } from './make-disk.ts';
import type { Case } from './rule-case.ts';
import { card, emmc, trialPolicy, withTransports } from './rule-case.ts';

/** What sort of disk it is: rules 1, 7 and 8. */
export const kindCases: Case[] = [
  {
    title: 'is a partition by number',
    rule: requireWholeDisk,
    code: 'guard.partition',
    disk: makeDisk({ name: 'sdb1', majorMinor: '8:11' }),
    context: { graph: makeGraph([card, makeDisk({ name: 'sdb1', majorMinor: '8:11' })]) },
  },
  {
    title: 'is a partition by name',
    rule: requireWholeDisk,
    code: 'guard.partition',
    disk: makeDisk({ name: 'sdb1', majorMinor: '8:99' }),
    context: { graph: makeGraph([card, makeDisk({ name: 'sdb1', majorMinor: '8:99' })]) },
  },
  {
    title: 'is hidden',
    rule: requireWholeDisk,
    code: 'guard.hidden',
    disk: makeDisk({ hidden: true }),
  },
  {
    title: 'is on a transport the policy leaves out',
    rule: requireCardKind,
    code: 'guard.transport-not-allowed',
    disk: makeDisk({ kind: 'memstick' }),
  },
  {
    title: 'is of unknown kind',
    rule: requireCardKind,
    code: 'guard.kind-unknown',
    disk: makeDisk({ kind: 'unknown' }),
  },
  {
    title: 'is a loop device without a name in the policy',
    rule: requireCardKind,
    code: 'guard.loop-not-named',
    disk: makeLoop(),
    context: withTransports('loop'),
  },
  ...(['optical', 'device-mapper', 'md', 'zram', 'ram', 'nbd', 'other-virtual'] as const).map(
    (kind): Case => ({
      title: `is ${kind}, though listed and named`,
      rule: requireCardKind,
      code: 'guard.not-a-card',
      disk: makeDisk({ kind, byIds: ['/dev/disk/by-id/dm-name-x'] }),
      context: { policy: makePolicy({ transports: [kind], allowDevices: ['/dev/disk/by-id/dm-name-x'] }) },
    }),
  ),
  {
    title: 'is a loop device over a partition',
    rule: requireOwnLoopStorage,
    code: 'guard.loop-over-disk',
    disk: makeLoop({ backingFile: '/dev/sda2' }),
    context: trialPolicy,
  },
  {
    title: 'is a loop device over a node kept elsewhere',
    rule: requireOwnLoopStorage,
    code: 'guard.loop-over-disk',
    disk: makeLoop({ backingFile: '/srv/nodes/sdb1' }),
    context: {
      ...trialPolicy,
      graph: makeGraph([
        makeLoop({ backingFile: '/srv/nodes/sdb1' }),
        makeDisk({ partitions: [makePartition('sdb', 1, { node: '/srv/nodes/sdb1' })] }),
      ]),
    },
  },
  {
    title: 'is a loop device over nothing known',
    rule: requireOwnLoopStorage,
    code: 'guard.loop-file-unknown',
    disk: makeLoop({ backingFile: null }),
    context: trialPolicy,
  },
  {
    title: 'is a loop device over an empty name',
    rule: requireOwnLoopStorage,
    code: 'guard.loop-file-unknown',
    disk: makeLoop({ backingFile: '' }),
    context: trialPolicy,
  },
  {
    title: 'shares its file with another loop device',
    rule: requireOwnLoopStorage,
    code: 'guard.loop-file-shared',
    disk: makeLoop(),
    context: {
      ...trialPolicy,
      graph: makeGraph([makeLoop(), makeLoop({ name: 'loop4', majorMinor: '7:4', uses: [makeUse()] })]),
    },
  },
  {
    title: 'is a loop device over the swap file',
    rule: requireOwnLoopStorage,
    code: 'guard.loop-file-shared',
    disk: makeLoop({ backingFile: '/swapfile' }),
    context: {
      ...trialPolicy,
      graph: makeGraph([
        makeLoop({ backingFile: '/swapfile' }),
        makeDisk({ name: 'sda', uses: [makeUse({ kind: 'swap', what: '/swapfile', on: 'sda1' })] }),
      ]),
    },
  },
  {
    title: 'is a boot area by kind',
    rule: refuseBootAreas,
    code: 'guard.boot-area',
    disk: makeDisk({ kind: 'mmc-boot' }),
    context: withTransports('mmc-boot'),
  },
  ...['mmcblk0boot0', 'mmcblk12boot1', 'mmcblk0rpmb', 'mmcblk0gp3'].map(
    (name): Case => ({
      title: `is ${name}`,
      rule: refuseBootAreas,
      code: 'guard.boot-area',
      disk: makeDisk({ name, kind: 'mmc-sd' }),
    }),
  ),
  {
    title: 'is soldered eMMC',
    rule: refuseFixedDisks,
    code: 'guard.soldered',
    disk: emmc,
    context: withTransports('mmc-emmc'),
  },
  ...(['nvme', 'sata', 'scsi', 'virtio'] as const).map(
    (kind): Case => ({
      title: `is ${kind}, though listed`,
      rule: refuseFixedDisks,
      code: 'guard.fixed-disk',
      disk: makeDisk({ kind }),
      context: withTransports(kind),
    }),
  ),
  {
    title: 'is a hardwired USB disk',
    rule: refuseFixedDisks,
    code: 'guard.hardwired',
    disk: makeDisk({ usbConnectType: 'hardwired', removable: false }),
  },
  {
    title: 'is larger than the limit by a byte',
    rule: requireWithinSizeLimit,
    code: 'guard.too-large',
    disk: makeDisk({ sizeBytes: 64_000_000_001 }),
    context: { policy: makePolicy({ maxSizeBytes: 64_000_000_000 }) },
  },
  {
    title: 'is judged under a limit that is no number',
    rule: requireWithinSizeLimit,
    code: 'guard.too-large',
    disk: makeDisk(),
    context: { policy: makePolicy({ maxSizeBytes: Number.NaN }) },
  },
];
