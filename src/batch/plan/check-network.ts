import { type Cidr, checkAddress, isInNetwork, isSameAddress, parseCidr } from '../../identity/names.ts';
import {
  itemPaths,
  keyOf,
  type Mistake,
  mistake,
  type PlanPath,
  type Raw,
  textAt,
  whereOf,
} from './mistake.ts';

interface NodeAddress {
  path: PlanPath;
  text: string;
  result: ReturnType<typeof parseCidr>;
}

function checkServers(raw: Raw): Mistake[] {
  const paths = [['network', 'gateway'], ...itemPaths(raw, ['network', 'nameservers'])];
  return paths.flatMap((path) => {
    const address = textAt(raw, path);
    const why = address === null ? null : checkAddress(address);
    if (address === null || why === null) return [];
    const key = keyOf(path) === 'gateway' ? 'The gateway' : 'A name server';
    return [mistake('plan.bad-server-address', path, { key, address, why })];
  });
}

function againstGateway(raw: Raw, { path, text, result }: NodeAddress, gateway: string): Mistake[] {
  if (!result.ok) return [];
  const facts = { where: whereOf(raw, path), address: text, gateway };
  if (isSameAddress(result.cidr.address, gateway)) return [mistake('plan.gateway-taken', path, facts)];
  return isInNetwork(result.cidr, gateway) ? [] : [mistake('plan.gateway-elsewhere', path, facts)];
}

/** One spelling for each address: IPv6 can be written in many ways (RFC 5952; the URL parser writes it so). */
const oneSpelling = ({ family, address }: Cidr) =>
  family === 6 ? new URL(`http://[${address}]`).hostname : address;

function duplicates(addresses: readonly NodeAddress[]): Mistake[] {
  const seen = new Map<string, PlanPath>();
  return addresses.flatMap(({ path, result }) => {
    if (!result.ok) return [];
    const spelling = oneSpelling(result.cidr);
    const first = seen.get(spelling);
    if (first === undefined) seen.set(spelling, path);
    return first === undefined
      ? []
      : [mistake('plan.duplicate-address', path, { address: result.cidr.address }, { first })];
  });
}

/** Addresses of nodes, gateway and name servers: well formed, no two alike, and the gateway within reach. */
export function checkNetwork(raw: Raw): Mistake[] {
  const addresses = itemPaths(raw, ['nodes']).flatMap((node): NodeAddress[] => {
    const path = [...node, 'address'];
    const text = textAt(raw, path);
    return text === null ? [] : [{ path, text, result: parseCidr(text) }];
  });
  const bad = addresses.flatMap(({ path, text, result }) =>
    result.ok
      ? []
      : [
          mistake('plan.bad-node-address', path, {
            address: text,
            where: whereOf(raw, path),
            why: result.reason,
          }),
        ],
  );
  const gateway = textAt(raw, ['network', 'gateway']);
  const canCompare = gateway !== null && checkAddress(gateway) === null;
  return [
    ...checkServers(raw),
    ...bad,
    ...duplicates(addresses),
    ...(canCompare ? addresses.flatMap((one) => againstGateway(raw, one, gateway)) : []),
  ];
}
