import { type BatchEvent, runBatch } from '../../batch/run-batch.ts';
import { stageImage } from '../../batch/stage-image.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type ExitStatus, exitStatus } from '../../contract/exit-status.ts';
import { finding } from '../../contract/finding.ts';
import type { ImageFacts } from '../../contract/image.ts';
import type { Plan } from '../../contract/plan.ts';
import { inspectImage, requireWritableImage } from '../../image/inspect-image.ts';
import { type CheckedImage, checkImage } from '../../job/station/check-image.ts';
import { checkPlanImage } from '../../job/station/check-plan-image.ts';
import { materialsOnDisk } from '../../job/station/materials-on-disk.ts';
import { writeCard } from '../../job/station/prepare-image.ts';
import type { BatchOutcome } from '../../records/record-types.ts';
import { createBench, parseConfirms } from '../bench-at-terminal.ts';
import type { Desk } from '../desk.ts';
import { imageRequest } from '../image-options.ts';
import { openStation } from '../open-station.ts';
import { readPlanFile } from '../plan-options.ts';
import { openRecordReader } from '../record-reader.ts';
import { batchThroughDaemon } from '../remote/batch-job.ts';
import { done, expectRoot } from '../run-command.ts';
import { findingLines } from '../screens/finding-lines.ts';
import { tellBatch } from '../tell-batch.ts';
import { findingFields } from '../text/json-lines.ts';
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

/** A plan with its image, about to become cards; and what is told of them. */
interface Session {
  desk: Desk;
  plan: Plan;
  image: CheckedImage;
  options: BatchOptions;
  confirms: Map<string, string>;
  tell(event: BatchEvent): void;
}

/** A whole set: the image once, then one card after the other, until every node is done. */
export async function batchCommand(desk: Desk, planPath: string, options: BatchOptions): Promise<ExitStatus> {
  const plan = await readPlanFile(planPath);
  const confirms = parseConfirms(options.confirm);
  if (options.report !== undefined) expectReportPlace(options.report);
  if (!plan.image) throw new CardwrightError('batch.no-image', { facts: { path: plan.path } });
  const daemon = await desk.daemon();
  if (!daemon) expectRoot();
  const image = await checkImage(imageRequest(plan.image.file, {}, plan), desk.signal);
  const told = teller(desk, plan);
  const session = { desk, plan, image, options, confirms, tell: told.tell };
  try {
    const bench = createBench(desk.output, {
      confirms,
      bell: options.bell,
      signal: desk.signal,
      onEvent(event) {
        if (event.type === 'job-begun') desk.log().info({ ...event, batch: told.batch() }, 'job begun');
      },
    });
    const { outcome } = daemon
      ? await batchThroughDaemon(desk, daemon, { ...session, bench })
      : await batchHere(session, bench);
    return statusOf[outcome];
  } finally {
    desk.output.settle();
    const batch = told.ended();
    if (batch !== null && options.report !== undefined) await tellReport(desk, batch, options.report);
  }
}

async function batchHere(
  { desk, plan, image, options, tell }: Session,
  bench: ReturnType<typeof createBench>,
): Promise<{ outcome: BatchOutcome }> {
  const { signal, output } = desk;
  const records = desk.records();
  const key = await desk.key();
  const host = {
    ...{ records, key, signal, toolVersion, bench, tell },
    station: await openStation(desk, key),
    check: async () => void (await checkPlanImage(plan, { port: output.events, signal })),
    stage: (staged: CheckedImage, until: AbortSignal) =>
      stageImage(staged, until, { user: null, look: lookAgain }),
    write: writeCard,
  };
  const { only, again, reader: readers } = options;
  return runBatch(host, { plan, materials: materialsOnDisk, image, only, again, readers });
}

/** What the unpacked copy is, read from the copy itself. */
async function lookAgain(path: string, signal: AbortSignal): Promise<ImageFacts> {
  const staged = await inspectImage(path, { decode: 'when-needed', signal });
  requireWritableImage(staged);
  return staged;
}

const statusOf: Record<BatchOutcome, ExitStatus> = {
  done,
  'not-all-done': exitStatus.notAllDone,
  cancelled: exitStatus.cancelled,
  failed: exitStatus.unexpected,
};

/** Puts out what a batch tells, and keeps its number. */
function teller(desk: Desk, plan: Plan) {
  const seen: { batch: number | null; ended: number | null } = { batch: null, ended: null };
  return {
    batch: () => seen.batch,
    ended: () => seen.ended,
    tell(event: BatchEvent): void {
      if (event.type === 'batch-begun') {
        seen.batch = event.batch;
        desk.log().info({ batch: event.batch, plan: plan.path, user: process.env.SUDO_USER }, 'batch begun');
      }
      if (event.type === 'batch') seen.ended = event.batch;
      tellBatch(desk.output, event);
    },
  };
}

/** What became of the cards stands: a page that cannot be written is said, and changes nothing of that. */
async function tellReport(desk: Desk, batch: number, path: string): Promise<void> {
  try {
    writeReport(desk, await (await openRecordReader(desk)).exportAll(), batch, path);
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
