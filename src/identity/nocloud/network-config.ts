import { isMap, isNode, type Node, type YAMLMap } from 'yaml';
import type { PlanNetwork, PlanNode, PlanWifi } from '../../contract/plan.ts';
import { parseCidr } from '../names.ts';
import { isOwnEntry, marked } from './own-items.ts';
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

export interface NetworkParts {
  node: Pick<PlanNode, 'address' | 'link'>;
  network: PlanNetwork;
  /** is `regulatory-domain` known to whoever reads it? An unknown key would cost the whole network. */
  knowsCountry: boolean;
}

/** The address of the node's own port, or DHCP. */
function describeAddress({ node: { address }, network }: NetworkParts) {
  const { gateway, nameservers, domain } = network;
  const search = domain === null ? {} : { search: listOf([quoted(domain)]) };
  const namesOf = (addresses: readonly string[]) =>
    addresses.length === 0 && domain === null
      ? {}
      : {
          nameservers: mapOf({
            ...(addresses.length === 0 ? {} : { addresses: listOf(addresses.map(quoted)) }),
            ...search,
          }),
        };
  const parsed = address === null ? null : parseCidr(address);
  if (address === null || !parsed?.ok) return { dhcp4: bare(true), ...namesOf([]) };
  const isFour = parsed.cidr.family === 4;
  const hasGateway = gateway !== null && gateway.includes(':') !== isFour;
  const route = (via: string) =>
    // `default` stops readers before 2025; the whole address space says the same.
    mapOf({ to: quoted(isFour ? '0.0.0.0/0' : '::/0'), via: quoted(via) });
  return {
    dhcp4: bare(false),
    addresses: listOf([quoted(address)]),
    ...(hasGateway ? { routes: listOf([route(gateway)]) } : {}),
    ...namesOf(nameservers),
  };
}

/** `end0`, `eth0`, `enp1s0`: names of wired ports begin with e; the key serves readers that do not match. */
function wiredPort(settings: Record<string, Node>): YAMLMap {
  return mapOf({ eth0: mapOf({ match: mapOf({ name: quoted('e*') }), ...settings }) });
}

/**
 * By its name alone: netplan's usual renderer matches no wireless ports (netplan, "match"), and on boards with one
 * radio wlan0 is what it is called (common practice, no source). The derived key goes in as `password`: 64 hex digits
 * are taken for it (netplan, "access-points").
 */
function wirelessPort(
  wifi: PlanWifi,
  { dhcp4, ...settings }: ReturnType<typeof describeAddress>,
  knowsCountry: boolean,
): YAMLMap {
  const point = mapOf({ password: quoted(wifi.key), ...(wifi.hidden ? { hidden: bare(true) } : {}) });
  const points = mapOf({});
  points.set(quoted(wifi.name), point);
  return mapOf({
    wlan0: mapOf({
      dhcp4: marked(dhcp4),
      ...settings,
      ...(knowsCountry ? { 'regulatory-domain': quoted(wifi.country) } : {}),
      'access-points': points,
    }),
  });
}

/** The image's wireless settings, where it has some in the same version of the format; not those of a former writing. */
function findWireless(existing: string): Node | null {
  const old = readYamlMap(existing);
  if (!old.ok) return null;
  const nested = old.map.get('network') as unknown;
  const top = isMap(nested) ? nested : old.map;
  const wireless = top.get('wifis', true) as unknown;
  if (top.get('version') !== '2' || !isNode(wireless)) return null;
  if (!isMap(wireless)) return wireless;
  wireless.items = wireless.items.filter(({ value }) => !isOwnEntry(value));
  return wireless.items.length === 0 ? null : wireless;
}

/**
 * The node's network-config, version 2 of the format (cloud-init "Networking config version 2", netplan): a static
 * address where the plan gives one, else DHCP, on the port that the plan says; a wireless node asks on its wired port,
 * too, if there is a cable, and does not wait for it. The image's own wireless settings stay where the plan has no
 * wireless network; all else is replaced.
 */
export function makeNetworkConfig(
  existing: string | null,
  parts: NetworkParts,
): { text: string; replaced: string[]; isSecret: boolean } {
  const old = (existing ?? '').replace(/^\ufeff/, '');
  const { wifi } = parts.network;
  const isWireless = wifi !== null && parts.node.link === 'wifi';
  const { map, document } = freshYaml();
  const address = describeAddress(parts);
  map.set('version', bare(2));
  map.set('ethernets', wiredPort(isWireless ? { dhcp4: bare(true), optional: bare(true) } : address));
  if (isWireless) map.set('wifis', wirelessPort(wifi, address, parts.knowsCountry));
  const plain = writeYaml(document);
  const isOther = (text: string) => old.trim() !== '' && old !== text;
  const wireless = wifi === null ? findWireless(old) : null;
  if (wireless === null) {
    return { text: plain, replaced: isOther(plain) ? ['network-config'] : [], isSecret: isWireless };
  }
  map.set('wifis', wireless);
  const text = tryToWriteYaml(document);
  // Its wireless part borrows from parts that are gone; what cannot be written is replaced, and said.
  if (text === null) return { text: plain, replaced: ['network-config'], isSecret: false };
  return { text, replaced: isOther(text) ? ['network-config: all but wifis'] : [], isSecret: true };
}
