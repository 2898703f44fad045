/** A unit in the root volume that makes SSH host keys when a node starts. */
export interface HostKeyUnit {
  /** "regenerate-keys.service", or the path of a script that no unit stands for */
  name: string;
  /** `replaces`: takes away the keys that are there; `adds`: only makes kinds that are missing */
  effect: 'replaces' | 'adds';
  /** why it cannot be switched off by a command of the first-boot program before it runs; null where it can */
  outOfReach: string | null;
}

export type NetworkRenderer = 'netplan' | 'eni' | 'network-manager' | 'networkd' | 'sysconfig';

/** The settings of the first-boot program (cloud-init) that decide what it takes from where. */
export interface FirstBootSettings {
  /** names of the sources it tries; null: its own long list, NoCloud among them */
  datasources: string[] | null;
  /** label of the volume that NoCloud looks for; null: it looks for none */
  fsLabel: string | null;
  /** another place that NoCloud takes its files from */
  seedFrom: string | null;
  /** does it leave the network alone? */
  networkIsOff: boolean;
  /** programs for network settings, in the order in which they are tried; null: its own order */
  renderers: string[] | null;
  /** modules that it runs, with _ for -; null: not known */
  modules: string[] | null;
  /** does it take host keys away that came with the image? */
  deletesHostKeys: boolean;
  /** kinds of host keys that it makes; null: all */
  hostKeyTypes: string[] | null;
  /** files of settings that could not be understood */
  unclear: string[];
}

/** What the root volume says about a node's first boot. Read without mounting it. */
export interface RootFacts {
  /** 0 where the volume lies on the disk without a table */
  partition: number;
  /** cloud-init; null where none was found */
  program: {
    /** null where none is told */
    version: string | null;
    /** where the version stands, in a few words */
    from: string;
  } | null;
  /** the file that keeps the program from running at all; null where there is none */
  offBy: string | null;
  settings: FirstBootSettings;
  /** the program's own folders of seeds that are there, with where they lead if they are links; they come first */
  seedFolders: { path: string; leadsTo: string | null }[];
  /** folders that FAT volumes are mounted on, by fstab(5) */
  bootFolders: string[];
  /** the program that will carry network settings out; null where none is there */
  renderer: NetworkRenderer | null;
  /** of netplan, by the system's list of packages; null where none is listed */
  netplanVersion: string | null;
  /** is there a program that joins wireless networks? */
  hasWifiProgram: boolean;
  /** are there descriptions of time zones? */
  hasZones: boolean;
  /** are there the programs by which the first-boot program sets a locale? */
  hasLocalePrograms: boolean;
  hostKeyUnits: HostKeyUnit[];
  /** units and scripts that let a partition grow to the end of the disk, whatever lies there */
  rootGrowers: string[];
  /** units that read marker files in the boot volume; null where there are no units to judge by */
  markerReaders: string[] | null;
}

/** `read`: what was learnt; `unread`: there is a root volume, and why it cannot be read; `absent`: none was found */
export type RootLook =
  | { state: 'read'; facts: RootFacts }
  | { state: 'unread'; why: string }
  | { state: 'absent'; why: string };
