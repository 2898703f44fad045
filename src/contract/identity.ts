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

export interface MechanismFacts {
  mechanism: FirstBootMechanism;
  /** what led to it: file names or the label */
  evidence: string[];
  /** what it can carry */
  carries: {
    hostName: boolean;
    authorizedKeys: boolean;
    password: boolean;
    network: boolean;
    hostKeys: boolean;
  };
}
