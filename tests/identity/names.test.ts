import { execFileSync } from 'node:child_process';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  checkAddress,
  checkHostName,
  checkUserName,
  isInNetwork,
  isSameAddress,
  parseCidr,
} from '../../src/identity/names.ts';

describe('host names (RFC 952, RFC 1123 section 2.1, hostname(5))', () => {
  it.each(['orchard-01', 'a', '1st', '3com', 'x'.repeat(63), 'a--b', '0a'])('takes %s', (name) => {
    expect(checkHostName(name)).toBeNull();
  });

  it.each([
    ['', /empty/],
    ['x'.repeat(64), /64 characters/],
    ['-orchard', /hyphen/],
    ['orchard-', /hyphen/],
    ['Orchard', /capital/],
    ['orchard_01', /underscore/],
    ['orchard.example.org', /dot/],
    ['orchard 01', /only the letters/],
    ['orchard-01\n', /only the letters/],
    ['bäume', /only the letters/],
    ['12', /digits/],
    ['localhost', /this machine/],
  ])('refuses %j', (name, reason) => {
    expect(checkHostName(name)).toMatch(reason);
  });
});

describe('user names (strictest rule of the trade)', () => {
  it.each(['grower', 'g', 'g1', 'grower-2', 'g'.repeat(32)])('takes %s', (name) => {
    expect(checkUserName(name)).toBeNull();
  });

  it.each([
    ['', /empty/],
    ['root', /root/],
    ['g'.repeat(33), /33 characters/],
    ['Ops', /begin/],
    ['1ops', /begin/],
    ['ops.1', /only/],
    ['ops_1', /underscore/],
    ['opsé', /only/],
    ['ops:1', /only/],
    ['ops\n', /only/],
  ])('refuses %j', (name, reason) => {
    expect(checkUserName(name)).toMatch(reason);
  });
});

describe('addresses (RFC 4632, RFC 4291, documentation ranges of RFC 5737 and 3849)', () => {
  it('takes a static address apart', () => {
    expect(parseCidr('192.0.2.11/24')).toEqual({
      ok: true,
      cidr: { family: 4, address: '192.0.2.11', prefix: 24 },
    });
    expect(parseCidr('2001:db8::11/64')).toEqual({
      ok: true,
      cidr: { family: 6, address: '2001:db8::11', prefix: 64 },
    });
    expect(parseCidr('192.0.2.0/31').ok).toBe(true);
    expect(parseCidr('192.0.2.7/32').ok).toBe(true);
  });

  it.each([
    ['192.0.2.11', /prefix length/],
    ['192.0.2.11/', /must be a number/],
    ['192.0.2.11/024', /must be a number/],
    ['192.0.2.11/33', /1 to 32/],
    ['192.0.2.11/0', /1 to 32/],
    ['192.0.2.11/24/24', /prefix length/],
    ['192.0.2.256/24', /not an IP/],
    ['192.0.2.011/24', /not an IP/],
    ['192.0.2.0/24', /network itself/],
    ['192.0.2.255/24', /broadcast/],
    ['127.0.0.1/8', /loopback/],
    ['224.0.0.251/24', /multicast/],
    ['255.255.255.255/32', /reserved/],
    ['0.0.0.0/24', /unspecified/],
    ['2001:db8::/64', /network itself/],
    ['ff02::fb/64', /multicast/],
    ['::1/128', /loopback/],
    ['fe80::1%eth0/64', /not an IP/],
    [' 192.0.2.11/24', /not an IP/],
  ])('refuses %s', (text, reason) => {
    const parsed = parseCidr(text);
    expect(parsed.ok ? 'taken' : parsed.reason).toMatch(reason);
  });

  it('knows a gateway or name server by itself', () => {
    expect(checkAddress('192.0.2.1')).toBeNull();
    expect(checkAddress('2001:db8::1')).toBeNull();
    expect(checkAddress('192.0.2.1/24')).toMatch(/without/);
    expect(checkAddress('gateway')).toMatch(/not an IP/);
  });

  it('tells what lies in the node’s own network', () => {
    const parsed = parseCidr('192.0.2.11/25');
    if (!parsed.ok) throw new Error(parsed.reason);
    expect(isInNetwork(parsed.cidr, '192.0.2.1')).toBe(true);
    expect(isInNetwork(parsed.cidr, '192.0.2.129')).toBe(false);
    expect(isInNetwork(parsed.cidr, '2001:db8::1')).toBe(false);
  });

  it('sees one address behind two spellings', () => {
    expect(isSameAddress('2001:db8::11', '2001:0DB8:0:0:0:0:0:11')).toBe(true);
    expect(isSameAddress('::ffff:192.0.2.1', '::ffff:c000:201')).toBe(true);
    expect(isSameAddress('192.0.2.1', '192.0.2.2')).toBe(false);
  });

  it('agrees with Python’s ipaddress module about networks', () => {
    // The second address differs from the first in its last 16 bits at most, so that both answers occur.
    const near = fc.tuple(fc.ipV4(), fc.integer({ min: 0, max: 255 }), fc.integer({ min: 0, max: 255 }));
    const cases = fc
      .sample(fc.tuple(near, fc.integer({ min: 8, max: 30 })), { numRuns: 200, seed: 7 })
      .map(([[a, third, fourth], prefix]) => {
        const b = [...a.split('.').slice(0, 2), third, fourth].join('.');
        return [a, b, prefix] as const;
      });
    const program = `
import ipaddress, json, sys
print(json.dumps([ipaddress.ip_address(b) in ipaddress.ip_network(f"{a}/{p}", strict=False) for a, b, p in json.load(sys.stdin)]))`;
    const answers = JSON.parse(
      execFileSync('python3', ['-c', program], { input: JSON.stringify(cases) }).toString(),
    );
    const ours = cases.map(([a, b, prefix]) => isInNetwork({ family: 4, address: a, prefix }, b));
    expect(ours).toEqual(answers);
    expect(new Set(ours).size).toBe(2);
  });
});
