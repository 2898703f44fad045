import type { BatchEvent } from '../../batch/run-batch.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import { createApprover } from '../ask-at-terminal.ts';
import { createBench } from '../bench-at-terminal.ts';
import type { Desk } from '../desk.ts';
import type { DaemonClient } from '../remote/daemon-client.ts';
import { hearJob } from '../remote/hear-job.ts';
import { done } from '../run-command.ts';
import { jobsScreen } from '../screens/jobs-screen.ts';
import { recordScreen } from '../screens/records-screen.ts';
import { tellBatch } from '../tell-batch.ts';
import { entry } from '../text/sheet.ts';
import { fieldsOf } from './records.ts';

/** The daemon's jobs: all of them, one to watch, or one to end. */
export async function jobsCommand(
  desk: Desk,
  action: string | undefined,
  id: string | undefined,
): Promise<ExitStatus> {
  const daemon = await desk.daemon();
  if (!daemon) throw new CardwrightError('daemon.none-here');
  if (action === undefined) return listJobs(desk, daemon);
  const act = action === 'attach' ? attach : action === 'cancel' ? cancel : null;
  if (!act) {
    const facts = { option: 'what to do', value: action, expected: 'attach or cancel' };
    throw new CardwrightError('usage.bad-value', { facts });
  }
  if (id === undefined) {
    throw new CardwrightError('usage.missing-argument', { facts: { argument: 'ID', command: 'jobs' } });
  }
  return act(desk, daemon, jobNumber(id));
}

async function listJobs(desk: Desk, daemon: DaemonClient): Promise<ExitStatus> {
  const { jobs, interrupted } = await daemon.jobs();
  desk.output.show('jobs', { jobs, interrupted: interrupted.map(fieldsOf) }, (sheet) =>
    jobsScreen({ jobs, interrupted }, { ...sheet, nowMs: Date.now() }),
  );
  return done;
}

/** Joins a job: what it told so far, what it tells, and its record at the end. Leaving it is left to Ctrl-C's own end. */
async function attach(desk: Desk, daemon: DaemonClient, job: number): Promise<ExitStatus> {
  const seen: { record: number | null } = { record: null };
  await hearJob(desk, daemon, job, {
    approver: createApprover(desk.output, null, desk.signal),
    bench: benchToWatch(desk),
    onBegun({ record }) {
      seen.record = record;
    },
    onEnd: () => desk.output.settle(),
  });
  if (seen.record === null) {
    desk.output.show('job', { job, end: 'done' }, (sheet) =>
      entry(sheet, 'done', [`job ${job}`], { tone: 'good' }),
    );
    return done;
  }
  const { record } = await daemon.record(seen.record);
  desk.output.show('record', fieldsOf(record), (sheet) =>
    recordScreen(record, { ...sheet, nowMs: Date.now() }),
  );
  return done;
}

/** A batch is watched as it was begun; a code can be typed here, too. */
function benchToWatch(desk: Desk) {
  const { output, signal } = desk;
  const port = createBench(output, { confirms: new Map(), bell: true, signal, onEvent: () => undefined });
  return { port, tell: (event: BatchEvent) => tellBatch(output, event) };
}

async function cancel(desk: Desk, daemon: DaemonClient, job: number): Promise<ExitStatus> {
  await daemon.cancelJob(job);
  desk.output.show('cancelled', { job }, (sheet) =>
    entry(sheet, 'cancelled', [`job ${job}`, 'cardwright jobs says how it ends'], { tone: 'care' }),
  );
  return done;
}

function jobNumber(text: string): number {
  if (/^[1-9]\d{0,9}$/.test(text)) return Number(text);
  throw new CardwrightError('usage.bad-value', {
    facts: { option: 'the job', value: text, expected: 'its number, as cardwright jobs lists it' },
  });
}
