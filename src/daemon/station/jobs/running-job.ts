import { CardwrightError } from '../../../contract/cardwright-error.ts';
import type { EventPort } from '../../../contract/events.ts';
import type { ApprovalQuestion, Approver } from '../../../job/station/approval-port.ts';
import { errorForm } from '../../contract/error-form.ts';
import type { JobLine, JobStanding, LineBody } from '../../contract/job-lines.ts';

/** A question that nobody answers ends as one that was answered with nothing. */
export const questionLifeMs = 10 * 60_000;
/** Stalls and findings of a job that goes wrong for hours; the oldest go. */
const mostLines = 5000;

interface Asked {
  asks: ApprovalQuestion;
  /** of a batch */
  reader: string | null;
  /** aborted when the card is no longer in the reader */
  gone: AbortSignal | null;
}

type Listener = (line: JobLine) => void;

/** One job as those who follow it see it: its lines so far, and the next ones as they come. */
export class RunningJob {
  readonly #stopping = new AbortController();
  readonly #listeners = new Set<Listener>();
  readonly #overWaiters = new Set<() => void>();
  #lines: JobLine[] = [];
  #nextLine = 1;
  #questions = 0;
  readonly #open = new Map<number, (typed: string | null) => void>();
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
    return this.#open.size > 0 ? 'asking' : 'running';
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
    const key = progressKey(line);
    const kept = key === null ? this.#lines : this.#lines.filter((old) => progressKey(old) !== key);
    this.#lines = [...kept, line].slice(-mostLines);
    for (const listener of this.#listeners) listener(line);
  }

  /** Asks whoever follows. `given` came with the order: then the card is shown, and nobody is waited for. */
  approver(given: string | null): Approver {
    return {
      ask: async (asks) => {
        if (given === null) return this.ask({ asks, reader: null, gone: null });
        const question = ++this.#questions;
        this.tell({ type: 'question', question, asks, isAnswered: true, reader: null });
        return given;
      },
    };
  }

  /**
   * One question, beside others: null where it was answered with nothing, nobody answered in time, or its card went.
   *
   * @throws CardwrightError `job.cancelled`
   */
  ask({ asks, reader, gone }: Asked): Promise<string | null> {
    const question = ++this.#questions;
    this.tell({ type: 'question', question, asks, isAnswered: false, reader });
    return new Promise((resolve, reject) => {
      const settle = () => {
        clearTimeout(timer);
        this.signal.removeEventListener('abort', cancel);
        gone?.removeEventListener('abort', withdraw);
        this.#open.delete(question);
        this.#markAnswered(question);
      };
      const answer = (typed: string | null) => {
        settle();
        resolve(typed);
      };
      const withdraw = () => {
        this.tell({ type: 'withdrawn', question });
        answer(null);
      };
      const cancel = () => {
        settle();
        reject(new CardwrightError('job.cancelled', { card: 'untouched', facts: { phase: 'approve' } }));
      };
      const timer = setTimeout(withdraw, questionLifeMs);
      this.#open.set(question, answer);
      if (this.signal.aborted) return cancel();
      if (gone?.aborted) return withdraw();
      this.signal.addEventListener('abort', cancel, { once: true });
      gone?.addEventListener('abort', withdraw, { once: true });
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
    const take = this.#open.get(question);
    take?.(typed);
    return take !== undefined;
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

/** What a line of progress takes the place of: the same phase's, of the same reader. */
function progressKey(line: JobLine): string | null {
  const inReader = line.type === 'bench' && line.event.type === 'job' ? line.event : null;
  const event = line.type === 'job' ? line.event : (inReader?.event ?? null);
  return event?.type === 'progress' ? `${inReader?.reader ?? ''} ${event.phase}` : null;
}
