/** Machines that the lab's guest is, with real USB, SD, NVMe and SATA disks. Each is one start of the guest. */
import { allowed, fixed } from '../expected-verdict.ts';
import type { GuestMachine } from './layout.ts';
import { mountLayouts } from './mounts.ts';
import { readerLayouts } from './readers.ts';
import { rootLayouts } from './roots.ts';
import { stackLayouts } from './stacks.ts';
import { userLayouts } from './users.ts';

export const guestMachines: readonly GuestMachine[] = [
  {
    name: 'a station with readers of every kind',
    disks: (file) => [
      { kind: 'usb', id: 'stick', serial: 'STICK0001', file: file('stick') },
      { kind: 'usb', id: 'spare', serial: 'STICK0002', file: file('spare') },
      { kind: 'usb', id: 'locked', serial: 'STICK0003', file: file('locked'), readOnly: true },
      { kind: 'usb', id: 'empty', serial: 'EMPTY0001', file: null },
      { kind: 'slot', id: 'left', reader: 'READER0001', file: null },
      { kind: 'slot', id: 'right', reader: 'READER0001', file: file('right') },
      { kind: 'mmc', id: 'card', file: file('card') },
      { kind: 'mmc', id: 'nocard', file: null },
      { kind: 'nvme', id: 'nvme', serial: 'NVME0001', file: file('nvme') },
      { kind: 'sata', id: 'first', serial: 'SATA0001', file: file('first') },
      { kind: 'sata', id: 'second', serial: 'SATA0002', file: file('second') },
    ],
    bare: {
      stick: allowed,
      spare: allowed,
      locked: ['refused', 'refuse read-only'],
      right: allowed,
      card: allowed,
      nvme: ['refused', ...fixed],
      first: ['refused', ...fixed],
      second: ['refused', ...fixed],
    },
    layouts: [...readerLayouts, ...mountLayouts, ...stackLayouts, ...userLayouts],
  },
  {
    name: 'a station that runs from its SD card',
    disks: (file) => [
      { kind: 'mmc', id: 'root', file: file('root') },
      { kind: 'mmc', id: 'twin', file: file('twin') },
      { kind: 'usb', id: 'stick', serial: 'STICK0001', file: file('stick') },
    ],
    rootNode: '/dev/mmcblk0p1',
    bare: {
      root: ['refused', 'refuse mounted-elsewhere / on rootp1'],
      twin: allowed,
      stick: allowed,
    },
    layouts: rootLayouts('sd', 'p'),
  },
  {
    name: 'a station that runs from a USB stick',
    disks: (file) => [
      { kind: 'usb', id: 'root', serial: 'STICK0001', file: file('root') },
      { kind: 'mmc', id: 'card', file: file('card') },
    ],
    late: (file) => [{ kind: 'usb', id: 'twin', serial: 'STICK0002', file: file('twin') }],
    rootNode: '/dev/sda1',
    bare: {
      root: ['refused', 'refuse mounted-elsewhere / on root1'],
      twin: allowed,
      card: allowed,
    },
    layouts: rootLayouts('usb', ''),
  },
];
