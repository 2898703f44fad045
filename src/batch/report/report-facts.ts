import type { Phase } from '../../contract/job.ts';
import type { BatchView, PhaseCurve, RecordsExport, RecordView } from '../../records/record-types.ts';
import { doneNodes } from '../bench/settled-nodes.ts';

export type ReportRecord = RecordView & { curve: PhaseCurve[] };

/** What became of one node of the plan in a batch. `done before`: by an earlier job, whose record is named. */
export interface ReportNode {
  name: string;
  slot: string | null;
  result: 'done' | 'done before' | 'not done' | 'no card';
  /** the record that says so; null for `no card` */
  record: number | null;
}

/** Where the time of a batch went, in milliseconds. */
export interface ReportTime {
  /** from its beginning to its end, or to the last that is known of it */
  wholeMs: number;
  stagingMs: number;
  /** no reader was at work: cards were changed, codes typed, or nobody was there */
  idleMs: number;
  /** over all cards together, so side by side they add up to more than the whole */
  phases: { phase: Phase; elapsedMs: number; bytes: number }[];
}

export interface BatchReport {
  batch: BatchView;
  nodes: ReportNode[];
  /** its jobs in the order in which they began */
  jobs: ReportRecord[];
  time: ReportTime;
}

const isMs = (value: number | null): value is number => value !== null;

/** When a job ended, as far as it is known: a job that was cut off leaves the end of its last phase. */
export function lastSeenMs({ endedAtMs, begunAtMs, phases }: RecordView): number {
  if (endedAtMs !== null) return endedAtMs;
  const ends = phases.map(({ begunAtMs: at, elapsedMs }) => at + (elapsedMs ?? 0));
  return Math.max(begunAtMs, ...ends);
}

/** All that a report of this batch says. @param all the store; null where it has no such batch */
export function reportFacts(all: RecordsExport, batchId: number): BatchReport | null {
  const batch = all.batches.find(({ id }) => id === batchId);
  if (!batch) return null;
  const jobs = all.records.filter((record) => record.batch === batchId).sort((a, b) => a.id - b.id);
  const endMs = Math.max(batch.begunAtMs, ...[batch.endedAtMs].filter(isMs), ...jobs.map(lastSeenMs));
  // As things stood when it ended: what happened to a card since is not this report's.
  const until = all.records.filter(({ begunAtMs }) => begunAtMs <= endMs);
  const done = doneNodes(until, batch.set);
  return {
    batch,
    nodes: batch.nodes.map((node) => ({ ...node, ...standingOf(node.name, jobs, done) })),
    jobs,
    time: timeOf(batch, jobs, endMs),
  };
}

function standingOf(
  name: string,
  jobs: readonly ReportRecord[],
  done: ReadonlyMap<string, number>,
): Pick<ReportNode, 'result' | 'record'> {
  const own = jobs.filter(({ node }) => node === name);
  const record = done.get(name) ?? null;
  if (record !== null)
    return { result: own.some(({ id }) => id === record) ? 'done' : 'done before', record };
  const last = own.at(-1);
  return last ? { result: 'not done', record: last.id } : { result: 'no card', record: null };
}

function timeOf(batch: BatchView, jobs: readonly ReportRecord[], endMs: number): ReportTime {
  const phases = new Map<Phase, { elapsedMs: number; bytes: number }>();
  for (const { phase, elapsedMs, bytes } of jobs.flatMap((job) => job.phases)) {
    const sum = phases.get(phase) ?? { elapsedMs: 0, bytes: 0 };
    phases.set(phase, { elapsedMs: sum.elapsedMs + (elapsedMs ?? 0), bytes: sum.bytes + (bytes ?? 0) });
  }
  const wholeMs = endMs - batch.begunAtMs;
  const stagingMs = batch.image?.elapsedMs ?? 0;
  const busyMs = coveredMs(jobs.map((job) => [job.begunAtMs, lastSeenMs(job)]));
  return {
    wholeMs,
    stagingMs,
    idleMs: Math.max(0, wholeMs - stagingMs - busyMs),
    phases: [...phases].map(([phase, sum]) => ({ phase, ...sum })),
  };
}

/** How long at least one of the spans lasted. */
function coveredMs(spans: readonly (readonly [from: number, to: number])[]): number {
  let covered = 0;
  let reached = Number.NEGATIVE_INFINITY;
  for (const [from, to] of [...spans].sort((a, b) => a[0] - b[0])) {
    covered += Math.max(0, to - Math.max(from, reached));
    reached = Math.max(reached, to);
  }
  return covered;
}

/** How fast one phase went over a stretch of time, for a plot. */
export interface RateStep {
  fromMs: number;
  toMs: number;
  bytesPerSecond: number;
}

/**
 * A curve as rates, each over at least a `most`-th of the phase, so that neither the card's nor the clock's small jumps
 * are drawn. Times are milliseconds after the phase began.
 */
export function rateSteps({ points }: PhaseCurve, most = 60): RateStep[] {
  const leastMs = (points.at(-1)?.elapsedMs ?? 0) / most;
  const steps: RateStep[] = [];
  let from = { elapsedMs: 0, doneBytes: 0 };
  for (const [at, point] of points.entries()) {
    const elapsedMs = point.elapsedMs - from.elapsedMs;
    const isLast = at === points.length - 1;
    if (elapsedMs <= 0 || (elapsedMs < leastMs && !isLast)) continue;
    const bytesPerSecond = ((point.doneBytes - from.doneBytes) * 1000) / elapsedMs;
    steps.push({ fromMs: from.elapsedMs, toMs: point.elapsedMs, bytesPerSecond });
    from = point;
  }
  return steps;
}
