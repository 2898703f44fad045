import { BlockList, isIPv4 } from 'node:net';

/** The addresses of a network that a search may knock at. */
export interface SearchRange {
  /** as it was given */
  text: string;
  addresses: readonly string[];
}

export type SearchRangeResult = { ok: true; range: SearchRange } | { ok: false; reason: string };

/** A small network: 1024 addresses, and at the pace of a search about a minute. */
const leastPrefix = 22;

function toNumber(address: string): number {
  return address.split('.').reduce((sum, part) => sum * 256 + Number(part), 0);
}

const toText = (number: number) => [24, 16, 8, 0].map((bits) => (number >>> bits) & 255).join('.');

/**
 * What `--search` takes: an IPv4 network like 192.0.2.0/24 (RFC 4632 section 3.1), no larger than a /22, and one that
 * this machine is in: nobody else's network is searched.
 *
 * @param attached the networks of this machine, "192.0.2.1/24"
 */
export function readSearchRange(text: string, attached: readonly string[]): SearchRangeResult {
  const [address = '', bits = ''] = text.split('/');
  const refuse = (reason: string): SearchRangeResult => ({ ok: false, reason });
  if (!isIPv4(address) || !/^([0-9]|[12][0-9]|3[0-2])$/.test(bits)) {
    return refuse('an IPv4 network like 192.0.2.0/24');
  }
  const prefix = Number(bits);
  if (prefix < leastPrefix)
    return refuse(`a network of at most 1,024 addresses, so a /${leastPrefix} or less`);
  const count = 2 ** (32 - prefix);
  const first = Math.floor(toNumber(address) / count) * count;
  const isInside = attachedTo(attached);
  if (!isInside(toText(first)) || !isInside(toText(first + count - 1))) {
    return refuse('a network that this machine is in');
  }
  // In a /31 both addresses are hosts (RFC 3021); elsewhere the first names the network, the last is its broadcast.
  const [from, to] = count <= 2 ? [0, count] : [1, count - 1];
  const addresses = Array.from({ length: to - from }, (_, at) => toText(first + from + at));
  return { ok: true, range: { text, addresses } };
}

/** Tells whether an address lies in one of the machine's own networks. */
export function attachedTo(networks: readonly string[]): (address: string) => boolean {
  const list = new BlockList();
  for (const network of networks) {
    const [address = '', prefix = ''] = network.split('/');
    list.addSubnet(address, Number(prefix), isIPv4(address) ? 'ipv4' : 'ipv6');
  }
  return (address) => list.check(address, isIPv4(address) ? 'ipv4' : 'ipv6');
}
