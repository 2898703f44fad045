import type { Plan, PlanNode } from '../../contract/plan.ts';
import { mapLimited } from '../../devices/map-limited.ts';
import type { NamesHeard } from './ask-names.ts';
import { classifyRoll, type NodeQuestion, type NodeStanding } from './classify.ts';
import type { KnownKeys } from './known-keys.ts';
import type { Meeting, Sighting } from './meeting.ts';
import { namesOfNode } from './names-of-node.ts';

/** What a roll call asks of the network. */
export interface RollCallPort {
  meet(address: string, types: readonly string[]): Promise<Meeting>;
  askNames(names: readonly string[], addresses: readonly string[]): Promise<NamesHeard>;
  /** the addresses of the searched network where something takes SSH connections; none where nobody asked for it */
  sweep(): Promise<readonly string[]>;
  /** is it in one of this machine's own networks? A name may be said to be anywhere. */
  isNear(address: string): boolean;
  neighbours(): Promise<ReadonlyMap<string, string>>;
  /** milliseconds, from any start */
  now(): number;
  /** ends early, without an error, when the roll call is broken off */
  pause(ms: number): Promise<void>;
}

export interface RollCallOrder {
  plan: Plan;
  nodes: readonly PlanNode[];
  keys: KnownKeys;
  /** how long nodes are waited for; 0 looks once */
  waitMs: number;
  signal: AbortSignal;
  /** told after every round */
  onRound?(roll: Roll): void;
}

export interface RollEntry {
  node: PlanNode;
  standing: NodeStanding;
  /** hardware address of the machine; null where it is not known */
  hardware: string | null;
}

export interface Roll {
  entries: readonly RollEntry[];
  /** since the first knock */
  elapsedMs: number;
}

const betweenRoundsMs = 3000;
const betweenSweepsMs = 60_000;
const metAtOnce = 16;

export const isSettled = ({ standing }: RollEntry): boolean => standing.state === 'ours';

/**
 * Calls the roll: looks for every node at its planned address, or, where it has none, under its names and in what was
 * searched; looks again until all are there and ours, or time is up, or the signal says so.
 */
export async function callRoll(order: RollCallOrder, port: RollCallPort): Promise<Roll> {
  const startMs = port.now();
  const sweep = createSweeps(port);
  for (;;) {
    const entries = await lookOnce(order, port, sweep);
    const roll = { entries, elapsedMs: port.now() - startMs };
    order.onRound?.(roll);
    const leftMs = order.waitMs - roll.elapsedMs;
    if (entries.every(isSettled) || leftMs <= 0 || order.signal.aborted) return roll;
    await port.pause(Math.min(leftMs, betweenRoundsMs));
  }
}

/** A search loads the network: one a minute at most, and none while nobody is missing. */
function createSweeps(port: RollCallPort): () => Promise<readonly string[]> {
  let found: readonly string[] = [];
  let lastMs: number | null = null;
  return async () => {
    if (lastMs !== null && port.now() - lastMs < betweenSweepsMs) return found;
    found = await port.sweep();
    lastMs = port.now();
    return found;
  };
}

async function lookOnce(
  { plan, nodes, keys }: RollCallOrder,
  port: RollCallPort,
  sweep: () => Promise<readonly string[]>,
): Promise<RollEntry[]> {
  const planned = nodes.flatMap((node) => plannedAddress(node) ?? []);
  const heard = await port.askNames(
    nodes.flatMap(({ name }) => namesOfNode(name)),
    planned.filter((address) => !address.includes(':')),
  );
  const byName = new Map(nodes.map((node) => [node.name, addressesByName(node, heard, port)]));
  const asked = [...new Set([...planned, ...byName.values()].flat())];
  const types = keyTypes(keys);
  const met = await meetAll(asked, types, port);
  const isMissing = nodes.some((node) => !isFound(node, met, byName, keys));
  const searched = isMissing ? (await sweep()).filter((address) => !met.has(address)) : [];
  const found = await meetAll(searched, types, port);
  const sightingAt =
    (via: Sighting['via'], meetings: ReadonlyMap<string, Meeting>) =>
    (address: string): Sighting[] => {
      const meeting = meetings.get(address);
      return meeting ? [{ address, meeting, via, names: heard.names.get(address) ?? [] }] : [];
    };
  const questions = nodes.map((node): NodeQuestion => {
    const address = plannedAddress(node);
    const announced = heard.addresses.get(`${node.name}.local`) ?? [];
    return {
      name: node.name,
      planned: address,
      keysMade: plan.hostKeys === 'create' ? 'here' : 'by the image',
      sightings: [
        ...(address === null ? [] : sightingAt('plan', met)(address)),
        ...(byName.get(node.name) ?? []).flatMap((one) =>
          sightingAt(announced.includes(one) ? 'name' : 'guess', met)(one),
        ),
        ...searched.flatMap(sightingAt('guess', found)),
      ],
      announced,
    };
  });
  const hardware = await port.neighbours();
  return classifyRoll(plan.set, questions, keys).map((standing, at) => ({
    node: nodes[at] as PlanNode,
    standing,
    hardware: 'at' in standing ? (hardware.get(standing.at) ?? null) : null,
  }));
}

export const plannedAddress = ({ address }: PlanNode): string | null => address?.split('/')[0] ?? null;

/** A node with a planned address is looked for there and nowhere else. */
function addressesByName(node: PlanNode, { addresses }: NamesHeard, port: RollCallPort): string[] {
  if (node.address !== null) return [];
  const all = namesOfNode(node.name).flatMap((name) => addresses.get(name) ?? []);
  return [...new Set(all)].filter((address) => port.isNear(address));
}

async function meetAll(
  addresses: readonly string[],
  types: readonly string[],
  port: RollCallPort,
): Promise<Map<string, Meeting>> {
  const meetings = await mapLimited(
    addresses,
    metAtOnce,
    async (address) => [address, await port.meet(address, types)] as const,
  );
  return new Map(meetings);
}

function keyTypes({ nodes }: KnownKeys): string[] {
  const all = [...nodes.values()].flatMap(({ hostKeys }) => hostKeys);
  return [...new Set(all.map(({ publicKey }) => publicKey.split(' ')[0] ?? ''))];
}

function isFound(
  node: PlanNode,
  met: ReadonlyMap<string, Meeting>,
  byName: ReadonlyMap<string, readonly string[]>,
  keys: KnownKeys,
): boolean {
  const made = keys.nodes.get(node.name)?.hostKeys.map(({ fingerprint }) => fingerprint) ?? [];
  const places = [plannedAddress(node) ?? [], byName.get(node.name) ?? []].flat();
  return places.some((place) => {
    const meeting = met.get(place);
    return meeting?.kind === 'keys' && meeting.keys.some(({ fingerprint }) => made.includes(fingerprint));
  });
}
