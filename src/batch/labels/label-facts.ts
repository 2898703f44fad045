import type { Plan, PlanNode } from '../../contract/plan.ts';
import type { RecordView } from '../../records/record-types.ts';

/** What one label says. */
export interface LabelFacts {
  node: string;
  slot: string | null;
  set: string;
  /** without the prefix length; null where the network gives one */
  address: string | null;
  /** the card as it was made last; null where none was finished */
  made: { recordId: number; atMs: number } | null;
  /** of the node's first host key, "SHA256:…"; null where none is recorded */
  fingerprint: string | null;
  /** what does not fit together any more: words for the person, a sentence each */
  remarks: string[];
}

/** Only what a record must have to be printed. */
export type LabelRecord = Pick<
  RecordView,
  'id' | 'set' | 'node' | 'state' | 'begunAtMs' | 'endedAtMs' | 'identity'
>;

/** One label for each node of the plan, in its order. `records` may be of any set and in any order. */
export function labelFacts(plan: Plan, records: readonly LabelRecord[]): LabelFacts[] {
  const ofSet = records.filter(({ set }) => set === plan.set);
  return plan.nodes.map((node) => factsOf(plan.set, node, ofSet));
}

function factsOf(set: string, node: PlanNode, records: readonly LabelRecord[]): LabelFacts {
  const ofNode = records.filter((record) => record.node === node.name).sort((a, b) => b.id - a.id);
  const last = ofNode.find(({ state }) => state === 'done') ?? null;
  const address = node.address?.split('/')[0] ?? null;
  return {
    node: node.name,
    slot: node.slot,
    set,
    address,
    made: last && { recordId: last.id, atMs: last.endedAtMs ?? last.begunAtMs },
    fingerprint: last?.identity.hostKeys[0]?.fingerprint ?? null,
    remarks: last
      ? [...addressRemark(node.name, address, last), ...laterRemark(node.name, last, ofNode[0] ?? last)]
      : [],
  };
}

function addressRemark(name: string, address: string | null, { id, identity }: LabelRecord): string[] {
  if (address === null || identity.hostNames.includes(address)) return [];
  return [
    `${name} has the address ${address} in the plan, but its card (record ${id}) was made with another one.`,
  ];
}

function laterRemark(name: string, last: LabelRecord, newest: LabelRecord): string[] {
  if (newest.id === last.id) return [];
  return [
    `${name} was tried again as record ${newest.id}, which was not finished; its label names record ${last.id}.`,
  ];
}
