import * as os from 'node:os';
import { setTimeout as sleep } from 'node:timers/promises';
import { selectNode } from '../../batch/plan/select-node.ts';
import { openNameAsker } from '../../batch/roll-call/ask-names.ts';
import {
  callRoll,
  isSettled,
  plannedAddress,
  type Roll,
  type RollCallPort,
  type RollEntry,
} from '../../batch/roll-call/call-roll.ts';
import { meetHostKeys } from '../../batch/roll-call/meet-host-key.ts';
import { readNeighbours } from '../../batch/roll-call/neighbours.ts';
import { attachedTo, type SearchRange } from '../../batch/roll-call/search-range.ts';
import { sweepNetwork } from '../../batch/roll-call/sweep.ts';
import { type ExitStatus, exitStatus } from '../../contract/exit-status.ts';
import type { Plan } from '../../contract/plan.ts';
import type { Desk } from '../desk.ts';
import { readPlanFile } from '../plan-options.ts';
import { rollCallLine, rollCallScreen } from '../screens/roll-call-screen.ts';
import { wordsOf } from '../screens/roll-call-words.ts';
import { entries } from '../text/sheet.ts';
import { knownKeysFor } from './rollcall-keys.ts';
import { attachedNetworks, readSearch, readWait } from './rollcall-options.ts';
import { openPapers, type PaperOptions } from './rollcall-papers.ts';

export interface RollCallOptions extends PaperOptions {
  wait?: string;
  search?: string;
  keys?: string;
  only?: readonly string[];
}

/** Finds the nodes of a set after power-on, and tells by their host keys whether they are the ones that were made. */
export async function rollcallCommand(
  desk: Desk,
  path: string,
  options: RollCallOptions,
): Promise<ExitStatus> {
  const waitMs = readWait(options.wait);
  const attached = attachedNetworks();
  const search = readSearch(options.search, attached);
  const plan = await readPlanFile(path);
  const nodes = options.only?.map((name) => selectNode(plan, name)) ?? plan.nodes;
  const keys = await knownKeysFor(desk, plan, options.keys);
  const papers = await openPapers(options, plan.set);
  const asker = openNameAsker(ownAddresses());
  try {
    const port = networkPort(desk, asker.ask, attached, search);
    const onRound = watcher(desk, plan, waitMs);
    const roll = await callRoll({ plan, nodes, keys, waitMs, signal: desk.signal, onRound }, port);
    const written = await papers.write({ plan, nodes: plan.nodes, keys, roll });
    tell(desk, plan, roll, { waitMs, written, unasked: asker.problem() });
    if (desk.signal.aborted) return exitStatus.cancelled;
    return roll.entries.every(isSettled) ? exitStatus.done : exitStatus.notAllDone;
  } finally {
    asker.close();
  }
}

/** One IPv4 address for each network that names are asked in. */
function ownAddresses(): string[] {
  return Object.values(os.networkInterfaces()).flatMap(
    (all) => all?.find(({ family, internal }) => family === 'IPv4' && !internal)?.address ?? [],
  );
}

function networkPort(
  desk: Desk,
  askNames: RollCallPort['askNames'],
  attached: readonly string[],
  search: SearchRange | null,
): RollCallPort {
  const { signal } = desk;
  return {
    meet: (address, types) => meetHostKeys(address, { types, signal }),
    askNames,
    sweep: () => sweepNetwork(search?.addresses ?? [], signal),
    isNear: attachedTo(attached),
    neighbours: () => readNeighbours(),
    now: () => performance.now(),
    pause: (ms) =>
      sleep(ms, undefined, { signal }).catch((error: unknown) => {
        if (!signal.aborted) throw error;
      }),
  };
}

const standingFields = ({ node, standing, hardware }: RollEntry, set: string) => {
  const { short, seen, next } = wordsOf(standing, set, null);
  return {
    slot: node.slot,
    planned: plannedAddress(node),
    ...standing,
    hardware,
    says: [short, ...seen].join('. ').replace(/\.?$/, '.'),
    next,
  };
};

/** While nodes are waited for: a table drawn in place in a terminal, else a line for every change. */
function watcher(desk: Desk, plan: Plan, waitMs: number): (roll: Roll) => void {
  const { output } = desk;
  const last = new Map<string, string>();
  return (roll) => {
    if (waitMs === 0) return;
    const changed = roll.entries.filter(({ node, standing }) => {
      const now = JSON.stringify(standing);
      const isNew = last.get(node.name) !== now;
      last.set(node.name, now);
      return isNew;
    });
    if (output.options.json) {
      for (const one of changed) output.show('node-standing', standingFields(one, plan.set), () => []);
    } else if (output.isLive) {
      const brief = { set: plan.set, isBrief: true, hasWaited: true };
      output.redraw((sheet) => rollCallScreen(roll, { ...sheet, ...brief }));
    } else {
      output.say(changed.flatMap((one) => rollCallLine(one, plan.set, output.sheet)));
    }
  };
}

function tell(
  { output }: Desk,
  plan: Plan,
  roll: Roll,
  { waitMs, written, unasked }: { waitMs: number; written: readonly string[]; unasked: string | null },
): void {
  if (unasked !== null) output.say(entries(output.sheet, 'names', [`could not be asked for: ${unasked}`]));
  const fields = {
    set: plan.set,
    settled: roll.entries.filter(isSettled).length,
    nodes: roll.entries.map((one) => standingFields(one, plan.set)),
    elapsedMs: Math.round(roll.elapsedMs),
    written,
  };
  output.show('rollcall', fields, (sheet) => [
    ...rollCallScreen(roll, { ...sheet, set: plan.set, hasWaited: waitMs > 0 }),
    ...entries(sheet, 'written', written),
  ]);
}
