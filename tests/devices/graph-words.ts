import type { DeviceGraph, Disk } from '../../src/contract/devices.ts';

export function diskOf(graph: DeviceGraph, name: string): Disk {
  const disk = graph.disks.find((one) => one.name === name);
  if (!disk) throw new Error(`no disk ${name} among ${graph.disks.map((one) => one.name).join(', ')}`);
  return disk;
}

/** The uses of a disk in one line each: "mount / on sda2 through sda2 > dm-0 (vg0-root)". */
export function usesOf(graph: DeviceGraph, name: string): string[] {
  return diskOf(graph, name)
    .uses.map(({ kind, what, on, through }) => {
      const way = through.length > 0 ? ` through ${through.join(' > ')}` : '';
      return `${kind} ${what} on ${on}${way}`;
    })
    .sort();
}

/** What refuses because it was not seen or not traced. */
export function gapsOf(graph: DeviceGraph): string[] {
  return [
    ...graph.untraced.map((what) => `untraced ${what}`),
    ...graph.unseen.filter(({ decides }) => decides).map(({ what, why }) => `${what}: ${why}`),
  ];
}
