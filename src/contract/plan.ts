/** The plan after checking: every path resolved, every default filled in, frozen. */
export interface Plan {
  /** absolute path of the plan file */
  path: string;
  set: string;
  image: PlanImage | null;
  access: PlanAccess;
  hostKeys: 'create' | 'image';
  network: PlanNetwork;
  unmount: 'ask' | 'yes';
  overwrite: 'ask' | 'any';
  nodes: PlanNode[];
}

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
}

export interface PlanNetwork {
  gateway: string | null;
  nameservers: string[];
}

export interface PlanNode {
  name: string;
  slot: string | null;
  role: string | null;
  /** CIDR ("192.0.2.11/24") or null for DHCP */
  address: string | null;
  /** extra files: name in the boot volume → absolute path on the station */
  files: Record<string, string>;
}
