/** One host key that a machine showed, and proved to hold by its signature (RFC 4253 section 8). */
export interface MetKey {
  /** as in a public key line: "ssh-ed25519", "ssh-rsa" */
  type: string;
  /** "SHA256:…" */
  fingerprint: string;
}

/** What came of knocking at one address. */
export type Meeting =
  | { kind: 'keys'; keys: readonly MetKey[] }
  /** nothing came back at all */
  | { kind: 'silent' }
  /** no machine has this address, or no way leads there; `why` is the kernel's name for it */
  | { kind: 'unreachable'; why: string }
  /** a machine is there, and nothing on it takes connections */
  | { kind: 'refused' }
  /** a connection opens, and nothing is said */
  | { kind: 'mute' }
  /** something is said, and it is no whole SSH handshake; `why` may be foreign text */
  | { kind: 'broken'; why: string };

/** A machine at an address, and what it calls itself. */
export interface Sighting {
  address: string;
  meeting: Meeting;
  /** how the address came to be asked: `guess` is a search, or a name that the node may have been driven to */
  via: 'plan' | 'name' | 'guess';
  /** its names over multicast DNS, lower case, "orchard-01.local"; empty where it tells none */
  names: readonly string[];
}
