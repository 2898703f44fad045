/** The plan after checking: every path resolved, every default filled in, frozen. */
export interface Plan {
  /** absolute path of the plan file */
  path: string;
  set: string;
  image: PlanImage | null;
  access: PlanAccess;
  hostKeys: 'create' | 'image';
  /** which kinds are made, where they are made here */
  hostKeyTypes: HostKeyType[];
  /** absolute path of the folder that keeps the private halves, so that a replacement card is the same node; or null */
  hostKeyFolder: string | null;
  network: PlanNetwork;
  system: PlanSystem;
  /** may a small volume for the first-boot files be made behind the image? */
  seedVolume: 'none' | 'far-end';
  unmount: 'ask' | 'yes';
  overwrite: 'ask' | 'any';
  nodes: PlanNode[];
}

export type HostKeyType = 'ed25519' | 'rsa';

export interface PlanImage {
  file: string;
  sha256: string | null;
  sums: string | null;
  signature: string | null;
  keyring: string | null;
}

export interface PlanAccess {
  user: string;
  /** public key lines, as they go to the node */
  authorizedKeys: string[];
  /** crypt(5) hash or null: no password login */
  passwordHash: string | null;
  /** may the password be used over SSH, too? */
  sshPassword: boolean;
  /** how the user becomes root: freely, with the password, or not at all */
  sudo: 'free' | 'password' | 'none';
}

export interface PlanNetwork {
  gateway: string | null;
  nameservers: string[];
  /** searched for short names, and the end of each node's full name */
  domain: string | null;
  wifi: PlanWifi | null;
}

export interface PlanWifi {
  /** SSID */
  name: string;
  /** the derived key, 64 lower-case hex digits (IEEE 802.11-2020, annex J.4); secret */
  key: string;
  /** ISO 3166-1 alpha-2: without it many radios stay silent */
  country: string;
  /** does the network keep its name to itself? */
  hidden: boolean;
}

export interface PlanSystem {
  /** IANA name, "Europe/Madrid" */
  timezone: string | null;
  /** POSIX name, "en_GB.UTF-8" */
  locale: string | null;
}

export interface PlanNode {
  name: string;
  slot: string | null;
  role: string | null;
  /** CIDR ("192.0.2.11/24") or null for DHCP */
  address: string | null;
  /** the port that the address belongs to */
  link: 'wired' | 'wifi';
  /** for templates, beside the node's own settings */
  variables: Record<string, string>;
  /** extra files of the boot volume, the set's and the node's together */
  files: PlanFile[];
  boot: PlanBoot;
  firstBoot: PlanFirstBoot;
}

/** One extra file. */
export interface PlanFile {
  /** in the boot volume, from its root, with forward slashes */
  path: string;
  /** absolute path on the station */
  source: string;
  /** are {{ names }} in it filled in? */
  template: boolean;
}

/** Settings in the boot volume's own files. */
export interface PlanBoot {
  /** arguments of the kernel line, each one word */
  kernelLine: { add: string[]; remove: string[] };
  /** lines of the firmware's settings file */
  firmware: string[];
}

/** What the node does itself when it starts for the first time. */
export interface PlanFirstBoot {
  files: PlanNodeFile[];
  /** run by a shell, in this order */
  commands: string[];
}

export interface PlanNodeFile {
  /** absolute path on the node */
  path: string;
  /** absolute path on the station */
  source: string;
  template: boolean;
  /** octal, "0644" */
  mode: string;
  /** "root:root" */
  owner: string;
}
