import { isIP } from 'node:net';

const hostNamePattern = /^[a-z0-9]([a-z0-9-]*[a-z0-9])?$/;
const userNamePattern = /^[a-z][a-z0-9-]*$/;

/**
 * A node's name as its host name: one label of 1 to 63 letters, digits and hyphens, in lower case.
 * RFC 952 and RFC 1123 section 2.1 (a digit may come first); hostname(5) recommends lower case and a single label.
 * @returns null when it will do, else the reason it will not, as the end of a sentence
 */
export function checkHostName(text: string): string | null {
  if (text === '') return 'it is empty';
  if (text.length > 63) return `it has ${text.length} characters, at most 63 are allowed (RFC 1123)`;
  if (/[A-Z]/.test(text)) return 'it has capital letters; use lower case';
  if (text.includes('.')) return 'it has a dot; give the short name, without a domain';
  if (text.includes('_')) return 'it has an underscore, which host names may not have; use a hyphen';
  if (text.startsWith('-') || text.endsWith('-')) return 'it begins or ends with a hyphen';
  if (!hostNamePattern.test(text)) return 'only the letters a-z, digits and hyphens are allowed (RFC 1123)';
  // RFC 1123 section 2.1: a name must not be mistaken for an address; first-boot readers also take it for a number.
  if (/^[0-9]+$/.test(text)) return 'it has only digits and would be taken for a number';
  return text === 'localhost' ? 'it means "this machine" on every machine' : null;
}

/**
 * The strictest rule met in the trade, so that every first-boot mechanism takes the name: 1 to 32 characters,
 * a-z first, then a-z, 0-9 and hyphens; not root.
 * @returns null when it will do, else the reason
 */
export function checkUserName(text: string): string | null {
  if (text === '') return 'it is empty';
  if (text.length > 32) return `it has ${text.length} characters, at most 32 are allowed`;
  if (text === 'root') return 'root is on every machine already; name a user of your own';
  if (!/^[a-z]/.test(text)) return 'it must begin with a letter a-z';
  if (text.includes('_')) return 'it has an underscore, which some first-boot scripts refuse; use a hyphen';
  return userNamePattern.test(text) ? null : 'only the letters a-z, digits and hyphens are allowed';
}

/** An address with its network's prefix length, e.g. 192.0.2.11 and 24. */
export interface Cidr {
  family: 4 | 6;
  address: string;
  prefix: number;
}

export type CidrResult = { ok: true; cidr: Cidr } | { ok: false; reason: string };

const groupsOf = (text: string) => (text === '' ? [] : text.split(':'));

/** An IPv6 address without its dotted tail, as eight 16-bit numbers (RFC 4291 section 2.2). */
function groups6(address: string): bigint[] {
  const dotted = /^(.*:)(\d+)\.(\d+)\.(\d+)\.(\d+)$/.exec(address);
  const [, start, a, b, c, d] = dotted ?? [];
  const text = dotted
    ? `${start}${(Number(a) * 256 + Number(b)).toString(16)}:${(Number(c) * 256 + Number(d)).toString(16)}`
    : address;
  const [left, right] = text.split('::');
  const before = groupsOf(left ?? '');
  const after = groupsOf(right ?? '');
  const zeros = right === undefined ? 0 : 8 - before.length - after.length;
  return [...before, ...new Array<string>(zeros).fill('0'), ...after].map((group) => BigInt(`0x${group}`));
}

function toNumber(address: string): bigint {
  if (isIP(address) === 4) return address.split('.').reduce((sum, part) => sum * 256n + BigInt(part), 0n);
  return groups6(address).reduce((sum, part) => sum * 65536n + part, 0n);
}

/** Why an address cannot be a machine's own, whatever its network. */
function checkHostAddress(address: string): string | null {
  const value = toNumber(address);
  if (value === 0n) return 'it is the unspecified address';
  if (isIP(address) === 4) {
    const first = Number(value >> 24n);
    if (first === 127) return 'it is a loopback address';
    if (first === 0) return 'it lies in 0.0.0.0/8, which no machine can have';
    if (first >= 224) return first < 240 ? 'it is a multicast address' : 'it lies in the reserved range';
    return null;
  }
  if (value === 1n) return 'it is the loopback address';
  return value >> 120n === 0xffn ? 'it is a multicast address' : null;
}

/**
 * One address of a gateway or a name server, without a prefix. Zone names (`%eth0`) are refused.
 * @returns null when it will do, else the reason
 */
export function checkAddress(text: string): string | null {
  if (text.includes('/')) return 'an address without "/" is wanted here';
  if (text.includes('%') || isIP(text) === 0) return 'it is not an IP address';
  return checkHostAddress(text);
}

function checkPlace(cidr: Cidr): string | null {
  const hostBits = BigInt((cidr.family === 4 ? 32 : 128) - cidr.prefix);
  // RFC 3021: in a /31 both addresses are hosts; a /32 or /128 is one machine alone.
  if (hostBits < 2n) return null;
  const host = toNumber(cidr.address) & ((1n << hostBits) - 1n);
  if (host === 0n) return 'it is the address of the network itself, not of a machine in it';
  if (cidr.family === 4 && host === (1n << hostBits) - 1n)
    return 'it is the broadcast address of its network';
  return null;
}

/**
 * A node's address with its prefix length ("192.0.2.11/24", "2001:db8::11/64"), RFC 4632 section 3.1 and RFC 4291
 * section 2.3. Network, broadcast, loopback, multicast and unspecified addresses are refused.
 */
export function parseCidr(text: string): CidrResult {
  const refuse = (reason: string): CidrResult => ({ ok: false, reason });
  const parts = text.split('/');
  const [address, prefixText] = parts;
  if (address === undefined || prefixText === undefined || parts.length !== 2) {
    return refuse('an address with its prefix length is wanted, like 192.0.2.11/24');
  }
  const family = isIP(address);
  if ((family !== 4 && family !== 6) || address.includes('%')) return refuse('it is not an IP address');
  const bits = family === 4 ? 32 : 128;
  if (!/^(0|[1-9][0-9]{0,2})$/.test(prefixText) || Number(prefixText) > bits || prefixText === '0') {
    return refuse(`the prefix length after "/" must be a number from 1 to ${bits}`);
  }
  const cidr: Cidr = { family, address, prefix: Number(prefixText) };
  const why = checkHostAddress(address) ?? checkPlace(cidr);
  return why === null ? { ok: true, cidr } : refuse(why);
}

/** Is this address in the node's own network, so that it can be reached without a route? */
export function isInNetwork(cidr: Cidr, address: string): boolean {
  if (isIP(address) !== cidr.family) return false;
  const hostBits = BigInt((cidr.family === 4 ? 32 : 128) - cidr.prefix);
  return toNumber(cidr.address) >> hostBits === toNumber(address) >> hostBits;
}

/** Two ways of writing one address are one address: for finding duplicates. */
export function isSameAddress(a: string, b: string): boolean {
  return isIP(a) !== 0 && isIP(a) === isIP(b) && toNumber(a) === toNumber(b);
}
