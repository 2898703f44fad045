import { describe, expect, it } from 'vitest';
import { hostKeyFields, hostKeyLines } from '../../src/cli/host-key-forms.ts';
import { rfc7479Line, rfc8032Fingerprint, rfc8032Line } from '../identity/published-keys.ts';

const hostKeys = [
  { publicKey: `${rfc8032Line} orchard-01`, fingerprint: rfc8032Fingerprint },
  { publicKey: rfc7479Line, fingerprint: 'SHA256:qH8baHrA5X0qCBovKCZyM02Q7TFtK4GMqVgOo4TZJAE' },
];
const known = { hostNames: ['orchard-01', 'orchard-01.example.org', '192.0.2.11'], hostKeys };

describe('host keys for other programs', () => {
  it('are lines of known_hosts with every name, one a key', () => {
    expect(hostKeyLines(known, 'known-hosts')).toEqual([
      `orchard-01,orchard-01.example.org,192.0.2.11 ${rfc8032Line}`,
      `orchard-01,orchard-01.example.org,192.0.2.11 ${rfc7479Line}`,
    ]);
  });

  it('are hashed one name a line, each with a salt of its own', () => {
    const lines = hostKeyLines(known, 'hashed-known-hosts');
    expect(new Set(lines.map((line) => line.split('|')[2])).size).toBe(6);
  });

  it('are records of the full name where there is one', () => {
    const names = (hostNames: string[]) =>
      hostKeyLines({ hostNames, hostKeys }, 'sshfp').map((line) => line.split(' ')[0]);
    expect(new Set(names(known.hostNames))).toEqual(new Set(['orchard-01.example.org']));
    expect(new Set(names(['orchard-01', '192.0.2.11']))).toEqual(new Set(['orchard-01']));
    expect(names(['192.0.2.11', '2001:db8::11'])).toEqual([]);
  });

  it('are nothing for a record of a card without a node', () => {
    expect(hostKeyFields({ hostNames: [], hostKeys: [] })).toEqual({
      hostKeyPublic: null,
      hostKeyFingerprint: null,
      knownHosts: [],
      hashedKnownHosts: [],
      sshfp: [],
    });
  });
});
