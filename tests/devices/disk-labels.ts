/**
 * Names for the disks of the guest that are the same at every start, unlike the kernel's: "stick" for what is sdc
 * today, and so "stick2" for sdc2.
 */
import type { DeviceGraph, Disk } from '../../src/contract/devices.ts';
import type { GuestDisk } from '../lab/guest/machine.ts';
import type { ExpectedDisk } from './expected-verdict.ts';
import { asTable, type JudgedDisk } from './judge-machine.ts';

/** Label → kernel name. */
export type Labels = Readonly<Record<string, string>>;

/** How a disk is told from the others: by serial number and, in a reader with several slots, by its slot. */
export interface DiskMark {
  label: string;
  fits: (disk: Disk) => boolean;
}

const at = <T>(list: readonly T[], fits: (one: T) => boolean): number => list.findIndex(fits);

/** An SD card shows no serial number of its own here; its host does, by the order in which the machine has them. */
export function marksOf(disks: readonly GuestDisk[]): DiskMark[] {
  const hosts = disks.filter(({ kind }) => kind === 'mmc');
  return disks.flatMap((disk) => {
    const { kind, id = '', serial = id, reader, file } = disk;
    if (file === null) return [];
    const slots = disks.filter((one) => one.kind === 'slot' && one.reader === reader);
    const fits: Partial<Record<GuestDisk['kind'], DiskMark['fits']>> = {
      mmc: ({ port }) => port === `mmc:${at(hosts, (one) => one === disk)}`,
      slot: (one) => one.serial === reader && one.lun === at(slots, (slot) => slot === disk),
    };
    return [{ label: id, fits: fits[kind] ?? ((one) => one.serial === serial) }];
  });
}

/** Throws where a mark fits none of the disks, or more than one. */
export function labelDisks(graph: DeviceGraph, marks: readonly DiskMark[]): Labels {
  const pairs = marks.map(({ label, fits }) => {
    const found = graph.disks.filter(fits).map(({ name }) => name);
    if (found.length !== 1) throw new Error(`"${label}" fits ${found.join(', ') || 'no disk'}`);
    return [label, found[0] ?? ''] as const;
  });
  return Object.fromEntries(pairs);
}

/** A text with labels where it has the kernel's names: "/dev/sdc2" as "/dev/stick2". */
export function inLabels(text: string, labels: Labels): string {
  const byName = new Map(Object.entries(labels).map(([label, name]) => [name, label]));
  const names = new RegExp(`\\b(${[...byName.keys()].join('|')})(?=(p?\\d+)?\\b)`, 'g');
  return text.replaceAll(names, (name) => byName.get(name) ?? name);
}

/** Verdicts and reasons by label; disks without one keep their kernel name. */
export function tableInLabels(judged: readonly JudgedDisk[], labels: Labels): Record<string, ExpectedDisk> {
  return asTable(
    judged.map(({ disk, said: [verdict, ...reasons] }) => ({
      disk: inLabels(disk, labels),
      said: [verdict, ...reasons.map((reason) => inLabels(reason, labels))],
    })),
  );
}
