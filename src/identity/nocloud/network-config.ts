import { isMap, isNode, type Node, type YAMLMap } from 'yaml';
import type { PlanNetwork } from '../../contract/plan.ts';
import { parseCidr } from '../names.ts';
import {
  bare,
  freshYaml,
  listOf,
  mapOf,
  quoted,
  readYamlMap,
  tryToWriteYaml,
  writeYaml,
} from './yaml-text.ts';

function describeEthernet(address: string | null, network: PlanNetwork): YAMLMap {
  // `end0`, `eth0`, `enp1s0`: names of wired ports begin with e; the key serves readers that do not match.
  const match = mapOf({ name: quoted('e*') });
  const parsed = address === null ? null : parseCidr(address);
  if (address === null || !parsed?.ok) return mapOf({ match, dhcp4: bare(true) });
  const { gateway, nameservers } = network;
  const isFour = parsed.cidr.family === 4;
  const hasGateway = gateway !== null && gateway.includes(':') !== isFour;
  const route = (via: string) =>
    // `default` stops readers before 2025; the whole address space says the same.
    mapOf({ to: quoted(isFour ? '0.0.0.0/0' : '::/0'), via: quoted(via) });
  return mapOf({
    match,
    dhcp4: bare(false),
    addresses: listOf([quoted(address)]),
    ...(hasGateway ? { routes: listOf([route(gateway)]) } : {}),
    ...(nameservers.length > 0 ? { nameservers: mapOf({ addresses: listOf(nameservers.map(quoted)) }) } : {}),
  });
}

/** The image's wireless settings, where it has some in the same version of the format. */
function findWireless(existing: string): Node | null {
  const old = readYamlMap(existing);
  if (!old.ok) return null;
  const nested = old.map.get('network') as unknown;
  const top = isMap(nested) ? nested : old.map;
  const wireless = top.get('wifis', true) as unknown;
  return top.get('version') === '2' && isNode(wireless) ? wireless : null;
}

/**
 * The node's network-config, version 2 of the format (cloud-init "Networking config version 2", netplan): a static
 * address where the plan gives one, else DHCP, on the wired port. The image's own wireless settings stay, all else
 * is replaced.
 */
export function makeNetworkConfig(
  existing: string | null,
  address: string | null,
  network: PlanNetwork,
): { text: string; replaced: string[] } {
  const old = (existing ?? '').replace(/^\ufeff/, '');
  const { map, document } = freshYaml();
  map.set('version', bare(2));
  map.set('ethernets', mapOf({ eth0: describeEthernet(address, network) }));
  const plain = writeYaml(document);
  const isOther = (text: string) => old.trim() !== '' && old !== text;
  const wireless = findWireless(old);
  if (wireless === null) return { text: plain, replaced: isOther(plain) ? ['network-config'] : [] };
  map.set('wifis', wireless);
  const text = tryToWriteYaml(document);
  // Its wireless part borrows from parts that are gone; what cannot be written is replaced, and said.
  if (text === null) return { text: plain, replaced: ['network-config'] };
  return { text, replaced: isOther(text) ? ['network-config: all but wifis'] : [] };
}
