import { basename } from 'node:path';
import type { BenchRow } from '../../batch/bench/bench-events.ts';
import { chooseNodes } from '../../batch/bench/choose-node.ts';
import { changedAreas, digestSettings } from '../../batch/bench/node-settings.ts';
import { runBench } from '../../batch/bench/run-bench.ts';
import { doneNodes, maybeComplete } from '../../batch/bench/settled-nodes.ts';
import { stageImage } from '../../batch/stage-image.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type ExitStatus, exitStatus } from '../../contract/exit-status.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { Plan, PlanNode } from '../../contract/plan.ts';
import { type CheckedImage, checkImage } from '../../job/station/check-image.ts';
import { checkPlanImage } from '../../job/station/check-plan-image.ts';
import type { BatchOutcome, Records } from '../../records/record-types.ts';
import { createBench, parseConfirms } from '../bench-at-terminal.ts';
import type { Desk } from '../desk.ts';
import { imageRequest } from '../image-options.ts';
import { openStation } from '../open-station.ts';
import { readPlanFile } from '../plan-options.ts';
import { done, expectRoot } from '../run-command.ts';
import { batchScreen } from '../screens/batch-screen.ts';
import { adviceOn, findingLines } from '../screens/finding-lines.ts';
import { formatDuration } from '../text/durations.ts';
import { findingFields } from '../text/json-lines.ts';
import { entries, entry } from '../text/sheet.ts';
import { formatSize } from '../text/sizes.ts';
import { toolVersion } from '../version.ts';
import { expectReportPlace, writeReport } from './report.ts';

export interface BatchOptions {
  reader: string[];
  confirm: string[];
  only: string[];
  again: string[];
  bell: boolean;
  report?: string;
}

interface Session {
  desk: Desk;
  plan: Plan;
  records: Records;
  key: Uint8Array;
  image: CheckedImage;
  /** node → record, before this batch */
  before: Map<string, number>;
  chosen: PlanNode[];
}

/** A whole set: the image once, then one card after the other, until every node is done. */
export async function batchCommand(desk: Desk, planPath: string, options: BatchOptions): Promise<ExitStatus> {
  const plan = await readPlanFile(planPath);
  const confirms = parseConfirms(options.confirm);
  if (options.report !== undefined) expectReportPlace(options.report);
  if (!plan.image) throw new CardwrightError('batch.no-image', { facts: { path: plan.path } });
  expectRoot();
  const records = desk.records();
  records.settleInterrupted();
  const key = await desk.key();
  const { signal } = desk;
  const image = await checkImage(imageRequest(plan.image.file, {}, plan), signal);
  const before = doneNodes(records.listRecords(), plan.set);
  const session = { desk, plan, records, key, image, before };
  tellStanding(session);
  const chosen = chooseNodes(plan, before, options);
  await checkPlanImage(plan, { port: desk.output.events, signal });
  return runSession({ ...session, chosen }, { ...options, confirms });
}

/** What the records say of the plan before anything is made: nodes that no longer match, and cards nobody settled. */
function tellStanding({ desk, plan, records, key, image, before }: Omit<Session, 'chosen'>): void {
  const stale = plan.nodes.flatMap((node): Finding[] => {
    const record = before.get(node.name);
    if (record === undefined) return [];
    const recorded = records.readRecord(record)?.settings ?? null;
    const areas = changedAreas(recorded, digestSettings(key, { plan, node }, image.facts));
    if (areas.length === 0) return [];
    return [finding('batch.no-longer-matches', 'note', { node: node.name, record, areas: areas.join(', ') })];
  });
  const open = maybeComplete(records.listRecords({ set: plan.set }), plan.set, before)
    .filter(({ node }) => plan.nodes.some(({ name }) => name === node))
    .map((facts) => finding('batch.may-be-complete', 'note', facts));
  for (const found of [...stale, ...open]) {
    const { sheet } = desk.output;
    desk.output.tell('standing', { finding: findingFields(found) }, [
      ...findingLines(sheet, [found]),
      ...entries(sheet, '', adviceOn([found], ['note'])),
    ]);
  }
}

async function runSession(
  session: Session,
  options: BatchOptions & { confirms: Map<string, string> },
): Promise<ExitStatus> {
  const { desk, plan, records, chosen } = session;
  const nodes = plan.nodes.map(({ name, slot }) => ({ name, slot }));
  const batch = records.beginBatch({ set: plan.set, planPath: plan.path, toolVersion, nodes });
  desk.log().info({ batch, plan: plan.path, user: process.env.SUDO_USER }, 'batch begun');
  desk.output.tell(
    'batch-begun',
    { batch, set: plan.set, nodes: chosen.map(({ name, slot }) => ({ node: name, slot })) },
    entry(desk.output.sheet, 'batch', [
      `${batch} of the set ${plan.set}`,
      `${chosen.length} of ${nodes.length} nodes to make`,
    ]),
  );
  const rows = new Map<string, BenchRow>();
  const finished = new Map(session.before);
  for (const { name } of chosen) finished.delete(name);
  let outcome: BatchOutcome = 'failed';
  try {
    await makeCards(session, options, { batch, rows, finished });
    const isAll = chosen.every(({ name }) => finished.has(name));
    outcome = isAll ? 'done' : desk.signal.aborted ? 'cancelled' : 'not-all-done';
  } catch (error) {
    if (!desk.signal.aborted) throw error;
    outcome = 'cancelled';
  } finally {
    records.endBatch(batch, outcome);
    tellEnd(session, { batch, outcome, rows, finished });
    if (options.report !== undefined) tellReport(session, batch, options.report);
  }
  return statusOf[outcome];
}

const statusOf: Record<BatchOutcome, ExitStatus> = {
  done,
  'not-all-done': exitStatus.notAllDone,
  cancelled: exitStatus.cancelled,
  failed: exitStatus.unexpected,
};

interface Progress {
  batch: number;
  rows: Map<string, BenchRow>;
  /** node → record: what is done, before and now */
  finished: Map<string, number>;
}

async function makeCards(
  { desk, plan, records, key, image, chosen }: Session,
  { confirms, reader: readers, bell }: BatchOptions & { confirms: Map<string, string> },
  { batch, rows, finished }: Progress,
): Promise<void> {
  const { output, signal } = desk;
  const staged = await stageImage(image, signal);
  try {
    const { map, elapsedMs, notes } = staged;
    const { facts } = image;
    const { sizeBytes } = map;
    records.saveStagedImage(batch, { path: facts.path, sizeBytes, elapsedMs, map });
    output.tell('staged', { image: facts.path, sizeBytes, elapsedMs, notes: notes.map(findingFields) }, [
      ...entry(output.sheet, 'image', [
        `${basename(facts.path)} read through and checked in ${formatDuration(elapsedMs)}`,
        `${formatSize(sizeBytes)} on each card`,
      ]),
      ...findingLines(output.sheet, notes),
    ]);
    const bench = createBench(output, {
      confirms,
      bell,
      signal,
      onEvent(event) {
        if (event.type === 'card-done' || (event.type === 'card-not-done' && event.row)) {
          if (event.row) rows.set(event.node, event.row);
        }
        if (event.type === 'job-begun') desk.log().info({ ...event, batch }, 'job begun');
      },
    });
    const { path, container, packedSha256 } = facts;
    const recordedImage = { path, container, packedSha256, sizeBytes, digestMapRoot: null };
    await runBench({
      station: await openStation(desk, key),
      records,
      signal,
      toolVersion,
      plan,
      image: staged.image,
      bench,
      nodes: chosen.map(({ name, slot }) => ({ name, slot, state: 'waiting' })),
      done: finished,
      readers,
      map,
      imageSource: path,
      marksFor(name, seen) {
        const node = chosen.find((one) => one.name === name);
        return {
          batch,
          slot: node?.slot ?? null,
          cardRecordUuid:
            seen.says?.record ?? (seen.content.kind === 'unfinished' ? seen.records[0]?.uuid : null) ?? null,
          settings: node ? digestSettings(key, { plan, node }, facts) : null,
          image: recordedImage,
        };
      },
    });
  } finally {
    output.settle();
    staged.discard();
  }
}

/** What became of the cards stands: a page that cannot be written is said, and changes nothing of that. */
function tellReport({ desk, records }: Session, batch: number, path: string): void {
  try {
    writeReport(desk, records.exportAll(), batch, path);
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
    const { code, facts } = error;
    const said = finding(code, 'fail', facts);
    desk.output.tell(
      'report-not-written',
      { finding: findingFields(said) },
      findingLines(desk.output.sheet, [said]),
    );
  }
}

function tellEnd(
  { desk, plan, chosen }: Session,
  { batch, outcome, rows, finished }: Progress & { outcome: BatchOutcome },
): void {
  const lines = plan.nodes.map(({ name, slot }) => ({
    node: name,
    slot,
    row: rows.get(name) ?? null,
    doneRecord: finished.get(name) ?? null,
    isWanted: chosen.some((one) => one.name === name),
  }));
  desk.output.show('batch', { batch, set: plan.set, outcome, nodes: lines }, (sheet) =>
    batchScreen(lines, sheet),
  );
}
