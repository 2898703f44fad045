/** One file to be put into the boot volume; `path` is relative to its root, with forward slashes. */
export interface NodeFile {
  path: string;
  content: Uint8Array;
  /** true where the content must not be shown, logged or stored */
  secret: boolean;
}

/** How an image takes its first-boot settings. */
export type FirstBootMechanism =
  /** user-data, meta-data (network-config) in the boot volume's root */
  | 'nocloud-files'
  /** NoCloud found by the boot volume's label, which is then never changed */
  | 'nocloud-label'
  /** `ssh`, `userconf.txt` and the like in the boot volume's root */
  | 'marker-files'
  | 'none';

/** What a node can be given; `files` and `commands` are those that the node itself writes and runs at its first boot. */
export type Carried =
  | 'hostName'
  | 'domain'
  | 'authorizedKeys'
  | 'password'
  | 'sudo'
  | 'network'
  | 'wifi'
  | 'hostKeys'
  | 'timezone'
  | 'locale'
  | 'files'
  | 'commands';

export interface MechanismFacts {
  mechanism: FirstBootMechanism;
  /** what led to it: file names, the label, a setting */
  evidence: string[];
  /** what it can carry */
  carries: Record<Carried, boolean>;
  /** why something that such a mechanism usually carries is not carried here: plain words without a full stop */
  because: Partial<Record<Carried, string>>;
  /** why there is none, in the same way; null where there is one */
  reason: string | null;
  /** what else is worth knowing, a sentence each */
  remarks: string[];
}
