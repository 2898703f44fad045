import { CardwrightError } from '../../../contract/cardwright-error.ts';
import type { EventPort } from '../../../contract/events.ts';
import type { ApprovalQuestion, Approver } from '../../../job/station/approval-port.ts';
import { errorForm } from '../../contract/error-form.ts';
import type { JobLine, JobStanding, LineBody } from '../../contract/job-lines.ts';

/** A question that nobody answers ends as one that was answered with nothing. */
export const questionLifeMs = 10 * 60_000;
/** Stalls and findings of a job that goes wrong for hours; the oldest go. */
const mostLines = 5000;

type Listener = (line: JobLine) => void;

/** One job as those who follow it see it: its lines so far, and the next ones as they come. */
export class RunningJob {
  readonly #stopping = new AbortController();
  readonly #listeners = new Set<Listener>();
  readonly #overWaiters = new Set<() => void>();
  #lines: JobLine[] = [];
  #nextLine = 1;
  #questions = 0;
  #open: { question: number; answer(typed: string | null): void } | null = null;
  #isOver = false;
  #end: string | null = null;
  #phase: string | null = null;
  #record: number | null = null;

  readonly signal = this.#stopping.signal;
  readonly port: EventPort = {
    emit: (event) => {
      if (event.type === 'phase' && event.state === 'begin') this.#phase = event.phase;
      this.tell({ type: 'job', event });
    },
  };

  get standing(): JobStanding {
    if (this.#end !== null) return 'ended';
    return this.#open ? 'asking' : 'running';
  }
  get phase(): string | null {
    return this.#phase;
  }
  get record(): number | null {
    return this.#record;
  }
  get end(): string | null {
    return this.#end;
  }
  /** nothing more will be told */
  get isOver(): boolean {
    return this.#isOver;
  }

  tell(body: LineBody): void {
    const line = { n: this.#nextLine++, ...body } as JobLine;
    if (line.type === 'begun') this.#record = line.record;
    // Whoever joins later needs the last progress alone.
    const isOutdated = (old: JobLine) =>
      isProgress(line) && isProgress(old) && old.event.phase === line.event.phase;
    this.#lines = [...this.#lines.filter((old) => !isOutdated(old)), line].slice(-mostLines);
    for (const listener of this.#listeners) listener(line);
  }

  /** Asks whoever follows. `given` came with the order: then the card is shown, and nobody is waited for. */
  approver(given: string | null): Approver {
    return {
      ask: async (question) => {
        const number = ++this.#questions;
        this.tell({ type: 'question', question: number, asks: question, isAnswered: given !== null });
        return given ?? this.#wait(number, question);
      },
    };
  }

  #wait(question: number, { disk }: ApprovalQuestion): Promise<string | null> {
    const { signal } = this;
    return new Promise((resolve, reject) => {
      const settle = () => {
        clearTimeout(timer);
        signal.removeEventListener('abort', cancel);
        this.#open = null;
      };
      const answer = (typed: string | null) => {
        settle();
        this.#markAnswered(question);
        resolve(typed);
      };
      const cancel = () => {
        settle();
        const facts = { phase: 'approve', node: disk.node };
        reject(new CardwrightError('job.cancelled', { card: 'untouched', facts }));
      };
      const timer = setTimeout(() => answer(null), questionLifeMs);
      if (signal.aborted) return cancel();
      signal.addEventListener('abort', cancel, { once: true });
      this.#open = { question, answer };
    });
  }

  /** Whoever joins from now on is not asked again. */
  #markAnswered(question: number): void {
    this.#lines = this.#lines.map((line) =>
      line.type === 'question' && line.question === question ? { ...line, isAnswered: true } : line,
    );
  }

  /** @returns false where that question is not open any more */
  answer(question: number, typed: string | null): boolean {
    if (this.#open?.question !== question) return false;
    this.#open.answer(typed);
    return true;
  }

  cancel(): void {
    this.#stopping.abort();
  }

  /** Tells how it ended. It is over once `leave` says so: a finished card may be held for a while. */
  settle(outcome: { value: unknown } | { error: unknown }): void {
    if ('value' in outcome) {
      this.#end = 'done';
      this.tell({ type: 'end', value: outcome.value });
    } else {
      const error = errorForm(outcome.error);
      this.#end = error.code;
      this.tell({ type: 'failed', error });
    }
  }

  leave(): void {
    this.#isOver = true;
    for (const wake of this.#overWaiters) wake();
  }

  /**
   * Tells every line from `from` on, then the next ones until the job is over or the follower has gone.
   *
   * @returns the number of the line that would come next
   */
  async follow(from: number, listener: Listener, gone: AbortSignal): Promise<number> {
    for (const line of this.#lines) if (line.n >= from) listener(line);
    if (!this.#isOver && !gone.aborted) {
      this.#listeners.add(listener);
      await new Promise<void>((resolve) => {
        const wake = () => {
          this.#overWaiters.delete(wake);
          this.#listeners.delete(listener);
          gone.removeEventListener('abort', wake);
          resolve();
        };
        this.#overWaiters.add(wake);
        gone.addEventListener('abort', wake, { once: true });
      });
    }
    return this.#nextLine;
  }
}

type ProgressLine = Extract<JobLine, { type: 'job' }> & { event: { type: 'progress' } };

function isProgress(line: JobLine): line is ProgressLine {
  return line.type === 'job' && line.event.type === 'progress';
}
