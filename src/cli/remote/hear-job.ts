import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import { errorOf } from '../../daemon/contract/error-form.ts';
import type { JobLine } from '../../daemon/contract/job-lines.ts';
import type { Approver } from '../../job/station/approval-port.ts';
import { createApprover } from '../ask-at-terminal.ts';
import type { Desk } from '../desk.ts';
import { entry } from '../text/sheet.ts';
import type { DaemonClient } from './daemon-client.ts';

export interface JobEar {
  /** shows the card that a question is about, and takes the answer */
  approver: Approver;
  onBegun(begun: { record: number; card: CardIdentity }): void;
  /** told once, with how the job ended; more may come while a finished card is held */
  onEnd(value: unknown): void;
}

/**
 * Follows a job of the daemon as if it ran here: its events come out as any job's, its questions are asked here. Ctrl-C
 * cancels it, as it would here; a process that is killed leaves it running.
 *
 * @throws CardwrightError the job's own; `usage.no-terminal` where nobody can be asked, and then the job is cancelled
 */
export async function hearJob(desk: Desk, daemon: DaemonClient, job: number, ear: JobEar): Promise<void> {
  const { signal } = desk;
  const cancel = () => void daemon.cancelJob(job).catch(() => undefined);
  if (signal.aborted) cancel();
  signal.addEventListener('abort', cancel, { once: true });
  try {
    for await (const line of daemon.followJob(job)) await hearLine(desk, daemon, job, { line, ear });
  } finally {
    signal.removeEventListener('abort', cancel);
  }
}

async function hearLine(
  desk: Desk,
  daemon: DaemonClient,
  job: number,
  { line, ear }: { line: JobLine; ear: JobEar },
): Promise<void> {
  switch (line.type) {
    case 'job':
      return desk.output.events.emit(line.event);
    case 'question':
      // A card that was approved already is shown all the same.
      if (line.isAnswered) return void createApprover(desk.output, '', desk.signal).ask(line.asks);
      return answer(daemon, job, { line, ear });
    case 'begun':
      return ear.onBegun(line);
    case 'stopping':
      return desk.output.tell('stopping', { jobs: line.jobs }, stoppingLines(desk, line.jobs));
    case 'end':
      return ear.onEnd(line.value);
    case 'failed':
      throw errorOf(line.error);
  }
}

const stoppingLines = ({ output: { sheet } }: Desk, jobs: 'finish' | 'cancel') =>
  entry(
    sheet,
    'daemon',
    ['the daemon is told to end', jobs === 'finish' ? 'this job is finished first' : 'this job is cancelled'],
    { tone: 'care' },
  );

async function answer(
  daemon: DaemonClient,
  job: number,
  { line, ear }: { line: Extract<JobLine, { type: 'question' }>; ear: JobEar },
): Promise<void> {
  let typed: string | null;
  try {
    typed = await ear.approver.ask(line.asks);
  } catch (error) {
    // Cancelled at the prompt: the job says so itself. Whatever else it is, nobody will answer.
    if (error instanceof CardwrightError && error.code === 'job.cancelled') return;
    await daemon.cancelJob(job);
    throw error;
  }
  await daemon.answerJob(job, line.question, typed);
}
