import { randomBytes } from 'node:crypto';
import { isIP } from 'node:net';
import { makeHashedKnownHostsLine, makeKnownHostsLine } from '../identity/keys/known-hosts.ts';
import { makeSshfpRecords } from '../identity/keys/sshfp.ts';

/** What a record knows of a node's host keys. */
export interface KnownHost {
  hostNames: readonly string[];
  hostKeys: readonly { publicKey: string; fingerprint: string }[];
}

/** In which forms the public halves are given to other programs. */
export const hostKeyForms = ['known-hosts', 'hashed-known-hosts', 'sshfp'] as const;
export type HostKeyForm = (typeof hostKeyForms)[number];

/** A node's host keys, a line each, as an SSH client's known_hosts or a zone of the DNS takes them. */
export function hostKeyLines({ hostNames, hostKeys }: KnownHost, form: HostKeyForm): string[] {
  if (hostNames.length === 0) return [];
  switch (form) {
    case 'known-hosts':
      return hostKeys.map(({ publicKey }) => makeKnownHostsLine(hostNames, publicKey));
    case 'hashed-known-hosts':
      return hostNames.flatMap((name) =>
        hostKeys.map(({ publicKey }) => makeHashedKnownHostsLine(name, publicKey, randomBytes(20))),
      );
    case 'sshfp': {
      const names = hostNames.filter((name) => isIP(name) === 0);
      // The DNS knows the full name.
      const name = names.find((one) => one.includes('.')) ?? names[0];
      return name === undefined ? [] : hostKeys.flatMap(({ publicKey }) => makeSshfpRecords(name, publicKey));
    }
  }
}

/** For a program that reads JSON: the keys in each form, and the first one alone as earlier versions had it. */
export function hostKeyFields(known: KnownHost): object {
  return {
    hostKeyPublic: known.hostKeys[0]?.publicKey ?? null,
    hostKeyFingerprint: known.hostKeys[0]?.fingerprint ?? null,
    knownHosts: hostKeyLines(known, 'known-hosts'),
    hashedKnownHosts: hostKeyLines(known, 'hashed-known-hosts'),
    sshfp: hostKeyLines(known, 'sshfp'),
  };
}
