import { parseCidr } from '../../../identity/names.ts';

/** What a new plan is made from: the answers, as they are checked. */
export interface NewPlan {
  set: string;
  /** path as it stands in the plan; null where the image is to be named later */
  image: string | null;
  user: string;
  /** paths as they stand in the plan */
  keys: readonly string[];
  /** what the nodes are called, before the hyphen and the number */
  stem: string;
  count: number;
  /** of the first node, with its prefix length; null where all ask the network */
  firstAddress: string | null;
  gateway: string | null;
}

export const mostNodes = 200;

/** Why so many addresses from the first one on will not do; null when they will. Only IPv4 is counted up. */
export function whyNotAddresses(first: string, count: number): string | null {
  const parsed = parseCidr(first);
  if (!parsed.ok) return parsed.reason;
  if (parsed.cidr.family !== 4) return 'addresses of IPv6 are put into the plan by hand, one for each node';
  for (const address of addressesFrom(first, count)) {
    const one = parseCidr(address);
    if (!one.ok || networkOf(address) !== networkOf(first)) {
      return `there is no room for ${count} nodes from there to the end of the network`;
    }
  }
  return null;
}

const toNumber = (address: string) => address.split('.').reduce((sum, part) => sum * 256 + Number(part), 0);
const toText = (number: number) => [24, 16, 8, 0].map((bits) => (number >>> bits) & 255).join('.');

function networkOf(cidr: string): number {
  const [address = '', prefix = ''] = cidr.split('/');
  return Math.floor(toNumber(address) / 2 ** (32 - Number(prefix)));
}

/** One address after the other, in the network of the first. */
export function addressesFrom(first: string, count: number): string[] {
  const [address = '', prefix = ''] = first.split('/');
  return Array.from({ length: count }, (_, at) => `${toText(toNumber(address) + at)}/${prefix}`);
}

/** The first host of the network: where a router often sits (common practice, no source). */
export function usualGateway(first: string): string {
  const [, prefix = ''] = first.split('/');
  return toText(networkOf(first) * 2 ** (32 - Number(prefix)) + 1);
}
