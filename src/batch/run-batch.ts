import { type Finding, finding } from '../contract/finding.ts';
import type { ImageFacts } from '../contract/image.ts';
import type { Plan, PlanNode } from '../contract/plan.ts';
import type { CheckedImage } from '../job/station/check-image.ts';
import type { PlanMaterials } from '../job/station/plan-materials.ts';
import type { StationJob } from '../job/station/take-card.ts';
import type { BatchOutcome } from '../records/record-types.ts';
import type { BenchPort, BenchRow, NodePlace } from './bench/bench-events.ts';
import { chooseNodes } from './bench/choose-node.ts';
import { changedAreas, digestSettings } from './bench/node-settings.ts';
import { runBench } from './bench/run-bench.ts';
import type { BatchParts } from './bench/serve-card.ts';
import { doneNodes, maybeComplete } from './bench/settled-nodes.ts';
import type { StagedImage } from './stage-image.ts';

/** What a batch tells beside what happens at the bench. Fields are only ever added. */
export type BatchEvent =
  | { type: 'standing'; finding: Finding }
  | { type: 'batch-begun'; batch: number; set: string; nodes: NodePlace[]; nodeCount: number }
  | { type: 'staged'; image: string; sizeBytes: number; elapsedMs: number; notes: Finding[] }
  | { type: 'batch'; batch: number; set: string; outcome: BatchOutcome; nodes: BatchLine[] };

/** One line of the summary: every node of the plan has one. */
export interface BatchLine {
  node: string;
  slot: string | null;
  /** how its last card of this batch ended; null where it had none */
  row: BenchRow | null;
  doneRecord: number | null;
  isWanted: boolean;
}

export interface BatchOrder {
  plan: Plan;
  materials: PlanMaterials;
  image: CheckedImage;
  /** the image as records and messages name it, where it is read from elsewhere */
  imageNamed?: ImageFacts;
  only: readonly string[];
  again: readonly string[];
  readers: readonly string[];
}

export interface BatchHost extends Pick<StationJob, 'station' | 'records' | 'signal' | 'toolVersion'> {
  /** what digests of settings are keyed with */
  key: Uint8Array;
  bench: BenchPort;
  tell(event: BatchEvent): void;
  /** the last look at plan and image before the batch begins */
  check(): Promise<void>;
  stage(image: CheckedImage, signal: AbortSignal): Promise<StagedImage>;
  /** makes one card */
  write: BatchParts['write'];
}

interface Session {
  host: BatchHost;
  order: BatchOrder;
  named: ImageFacts;
  /** node → record, before this batch */
  before: Map<string, number>;
  chosen: PlanNode[];
}

/**
 * A whole set: the image once, then one card after the other, until every node is done.
 *
 * @throws CardwrightError `batch.nothing-to-do`, and whatever concerns the whole batch
 */
export async function runBatch(
  host: BatchHost,
  order: BatchOrder,
): Promise<{ batch: number; outcome: BatchOutcome }> {
  const { plan } = order;
  host.records.settleInterrupted();
  const before = doneNodes(host.records.listRecords(), plan.set);
  const session = { host, order, named: order.imageNamed ?? order.image.facts, before };
  tellStanding(session);
  const chosen = chooseNodes(plan, before, order);
  await host.check();
  return runSession({ ...session, chosen });
}

/** What the records say of the plan before anything is made: nodes that no longer match, and cards nobody settled. */
function tellStanding({ host, order, named, before }: Omit<Session, 'chosen'>): void {
  const { records, key } = host;
  const { plan } = order;
  const stale = plan.nodes.flatMap((node): Finding[] => {
    const record = before.get(node.name);
    if (record === undefined) return [];
    const recorded = records.readRecord(record)?.settings ?? null;
    const areas = changedAreas(recorded, digestSettings(key, { ...order, node }, named));
    if (areas.length === 0) return [];
    return [finding('batch.no-longer-matches', 'note', { node: node.name, record, areas: areas.join(', ') })];
  });
  const open = maybeComplete(records.listRecords({ set: plan.set }), plan.set, before)
    .filter(({ node }) => plan.nodes.some(({ name }) => name === node))
    .map((facts) => finding('batch.may-be-complete', 'note', facts));
  for (const found of [...stale, ...open]) host.tell({ type: 'standing', finding: found });
}

async function runSession(session: Session): Promise<{ batch: number; outcome: BatchOutcome }> {
  const { host, order, chosen } = session;
  const { records, signal, toolVersion } = host;
  const { plan } = order;
  const nodes = plan.nodes.map(({ name, slot }) => ({ name, slot }));
  const batch = records.beginBatch({ set: plan.set, planPath: plan.path, toolVersion, nodes });
  host.tell({
    type: 'batch-begun',
    batch,
    set: plan.set,
    nodes: chosen.map(({ name, slot }) => ({ node: name, slot })),
    nodeCount: nodes.length,
  });
  const rows = new Map<string, BenchRow>();
  const finished = new Map(session.before);
  for (const { name } of chosen) finished.delete(name);
  let outcome: BatchOutcome = 'failed';
  try {
    await makeCards(session, { batch, rows, finished });
    const isAll = chosen.every(({ name }) => finished.has(name));
    outcome = isAll ? 'done' : signal.aborted ? 'cancelled' : 'not-all-done';
  } catch (error) {
    if (!signal.aborted) throw error;
    outcome = 'cancelled';
  } finally {
    records.endBatch(batch, outcome);
    host.tell(endOf(session, { batch, outcome, rows, finished }));
  }
  return { batch, outcome };
}

interface Progress {
  batch: number;
  rows: Map<string, BenchRow>;
  /** node → record: what is done, before and now */
  finished: Map<string, number>;
}

async function makeCards(session: Session, { batch, rows, finished }: Progress): Promise<void> {
  const { host, order, named, chosen } = session;
  const { records, key, bench, signal } = host;
  const staged = await host.stage(order.image, signal);
  try {
    const { map, elapsedMs, notes } = staged;
    const { sizeBytes } = map;
    const { path, container, packedSha256 } = named;
    records.saveStagedImage(batch, { path, sizeBytes, elapsedMs, map });
    host.tell({ type: 'staged', image: path, sizeBytes, elapsedMs, notes });
    await runBench({
      ...host,
      ...order,
      image: staged.image,
      bench: noting(bench, rows),
      nodes: chosen.map(({ name, slot }) => ({ name, slot, state: 'waiting' })),
      done: finished,
      map,
      imageSource: order.image.facts.path,
      marksFor(name, seen) {
        const node = chosen.find((one) => one.name === name);
        return {
          batch,
          slot: node?.slot ?? null,
          cardRecordUuid:
            seen.says?.record ?? (seen.content.kind === 'unfinished' ? seen.records[0]?.uuid : null) ?? null,
          settings: node ? digestSettings(key, { ...order, node }, named) : null,
          image: { path, container, packedSha256, sizeBytes, digestMapRoot: null },
        };
      },
    });
  } finally {
    staged.discard();
  }
}

/** Keeps how each node's last card ended. */
function noting(bench: BenchPort, rows: Map<string, BenchRow>): BenchPort {
  return {
    canAsk: bench.canAsk,
    ask: (question, reader, gone) => bench.ask(question, reader, gone),
    tell(event) {
      if ((event.type === 'card-done' || event.type === 'card-not-done') && event.row) {
        rows.set(event.node, event.row);
      }
      bench.tell(event);
    },
  };
}

function endOf(
  { order: { plan }, chosen }: Session,
  { batch, outcome, rows, finished }: Progress & { outcome: BatchOutcome },
): BatchEvent {
  const nodes = plan.nodes.map(({ name, slot }) => ({
    node: name,
    slot,
    row: rows.get(name) ?? null,
    doneRecord: finished.get(name) ?? null,
    isWanted: chosen.some((one) => one.name === name),
  }));
  return { type: 'batch', batch, set: plan.set, outcome, nodes };
}
