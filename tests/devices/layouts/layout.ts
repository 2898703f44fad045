import type { DeviceGraph, Disk } from '../../../src/contract/devices.ts';
import type { GuestDisk } from '../../lab/guest/machine.ts';
import type { Labels } from '../disk-labels.ts';
import type { ExpectedDisk } from '../expected-verdict.ts';

/** What is set up on the disks of a guest, and what the tool then has to say of every one of them. */
export interface GuestLayout {
  /** also the name of its capture in fixtures/machines */
  name: string;
  note: string;
  /** by bash, with the words of `layout-words.sh`; "$stick" is the node of the disk of that label */
  setUp: string;
  /** takes everything away again; whatever stays shows in the next layout, and in the last look at the bare machine */
  tearDown?: string;
  /** labels of disks that are there in this layout alone, and what they are told by */
  appearing?: Readonly<Record<string, Partial<Pick<Disk, 'serial' | 'model' | 'lun'>>>>;
  /** verdict and all reasons of what differs from the bare machine; "stick2" is the second partition of "stick" */
  verdicts: Readonly<Record<string, ExpectedDisk>>;
  /** more that the graph must say */
  check?: (graph: DeviceGraph, labels: Labels) => void;
}

/** One start of the guest, with one set of disks for a list of layouts. */
export interface GuestMachine {
  name: string;
  disks: (file: (name: string) => string) => GuestDisk[];
  /** disks that are plugged in once it runs, so that the kernel's names of the first are certain */
  late?: (file: (name: string) => string) => (GuestDisk & { id: string })[];
  /** "/dev/mmcblk0p1" where / stands on the disk whose label is "root" */
  rootNode?: string;
  /** verdicts on the machine as it starts, before anything is set up */
  bare: Readonly<Record<string, ExpectedDisk>>;
  layouts: readonly GuestLayout[];
}

/** Every disk of the machine with what has to be said of it in one layout. */
export const expectedIn = (machine: GuestMachine, layout: GuestLayout) => ({
  ...machine.bare,
  ...layout.verdicts,
});
