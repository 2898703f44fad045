import type { BenchPort } from '../../batch/bench/bench-events.ts';
import type { BatchEvent } from '../../batch/run-batch.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import { errorOf } from '../../daemon/contract/error-form.ts';
import { benchEventOf, type JobLine } from '../../daemon/contract/job-lines.ts';
import type { Approver } from '../../job/station/approval-port.ts';
import { createApprover } from '../ask-at-terminal.ts';
import type { Desk } from '../desk.ts';
import { entry } from '../text/sheet.ts';
import type { DaemonClient } from './daemon-client.ts';

export interface JobEar {
  /** shows the card that a question is about, and takes the answer */
  approver: Approver;
  /** of a batch: what happens at the bench and beside it */
  bench?: { port: BenchPort; tell(event: BatchEvent): void };
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
  const hearing = new Hearing(desk, daemon, job, ear);
  const cancel = () => void daemon.cancelJob(job).catch(() => undefined);
  if (signal.aborted) cancel();
  signal.addEventListener('abort', cancel, { once: true });
  try {
    for await (const line of daemon.followJob(job)) await hearing.hear(line);
  } finally {
    signal.removeEventListener('abort', cancel);
  }
}

type Question = Extract<JobLine, { type: 'question' }>;

class Hearing {
  readonly #desk: Desk;
  readonly #daemon: DaemonClient;
  readonly #job: number;
  readonly #ear: JobEar;
  /** questions that are being asked here, each with what gives it up */
  readonly #asking = new Map<number, AbortController>();

  constructor(desk: Desk, daemon: DaemonClient, job: number, ear: JobEar) {
    this.#desk = desk;
    this.#daemon = daemon;
    this.#job = job;
    this.#ear = ear;
  }

  async hear(line: JobLine): Promise<void> {
    const { output } = this.#desk;
    const { bench } = this.#ear;
    switch (line.type) {
      case 'job':
        return output.events.emit(line.event);
      case 'question':
        return this.#question(line);
      case 'withdrawn':
        return this.#asking.get(line.question)?.abort();
      case 'bench':
        return bench?.port.tell(benchEventOf(line.event));
      case 'batch':
        return bench?.tell(line.event);
      case 'begun':
        return this.#ear.onBegun(line);
      case 'stopping':
        return output.tell('stopping', { jobs: line.jobs }, this.#stoppingLines(line.jobs));
      case 'end':
        return this.#ear.onEnd(line.value);
      case 'failed':
        throw errorOf(line.error);
    }
  }

  #stoppingLines(jobs: 'finish' | 'cancel'): string[] {
    const what = jobs === 'finish' ? 'this job is finished first' : 'this job is cancelled';
    return entry(this.#desk.output.sheet, 'daemon', ['the daemon is told to end', what], { tone: 'care' });
  }

  async #question(line: Question): Promise<void> {
    const { output, signal } = this.#desk;
    // A card of a job's own that was approved already is shown all the same.
    if (line.isAnswered) {
      if (line.reader === null) await createApprover(output, '', signal).ask(line.asks);
      return;
    }
    // Other cards of a batch go on while somebody is asked about one.
    if (line.reader !== null) return void this.#askAtBench(line, line.reader);
    return this.#ask(line);
  }

  async #ask({ question, asks }: Question): Promise<void> {
    let typed: string | null;
    try {
      typed = await this.#ear.approver.ask(asks);
    } catch (error) {
      // Cancelled at the prompt: the job says so itself. Whatever else it is, nobody will answer.
      if (error instanceof CardwrightError && error.code === 'job.cancelled') return;
      await this.#daemon.cancelJob(this.#job);
      throw error;
    }
    await this.#daemon.answerJob(this.#job, question, typed);
  }

  async #askAtBench({ question, asks }: Question, reader: string): Promise<void> {
    const gone = new AbortController();
    this.#asking.set(question, gone);
    try {
      const typed = (await this.#ear.bench?.port.ask(asks, reader, gone.signal)) ?? null;
      if (!gone.signal.aborted) await this.#daemon.answerJob(this.#job, question, typed);
    } catch {
      // Cancelled at the prompt, or the daemon is gone: the stream of lines says so.
    } finally {
      this.#asking.delete(question);
    }
  }
}
