import { CardwrightError } from '../../../contract/cardwright-error.ts';
import type { JobView } from '../../contract/job-lines.ts';
import type { JobOrder } from '../../contract/job-orders.ts';
import type { Caller } from '../answer-looks.ts';
import { RunningJob } from './running-job.ts';

const mostOfOneCaller = 8;
const mostInAll = 32;
/** Of jobs that have ended so many can still be looked at. */
const mostEnded = 100;

/** Does the work of one order, and tells the job how it ends; what it gives is waited for before the job is over. */
export type RunOrder = (job: RunningJob, order: JobOrder, who: Caller) => Promise<unknown>;

interface Entry {
  id: number;
  caller: string;
  order: { kind: JobOrder['kind']; device: string | null; node: string | null };
  begunAtMs: number;
  job: RunningJob;
}

/** The station's jobs: whose they are, how they stand, and who may get at them. */
export class JobTable {
  readonly #run: RunOrder;
  readonly #now: () => number;
  #entries: Entry[] = [];
  #nextId = 1;
  #isClosing = false;

  constructor(run: RunOrder, now: () => number = Date.now) {
    this.#run = run;
    this.#now = now;
  }

  /** @throws CardwrightError `daemon.busy` */
  start(who: Caller, order: JobOrder): number {
    if (this.#isClosing) throw busy('it is about to end');
    const running = this.#entries.filter(({ job }) => !job.isOver);
    if (running.length >= mostInAll) throw busy(`${mostInAll} jobs are running`);
    if (running.filter(({ caller }) => caller === who.caller).length >= mostOfOneCaller) {
      throw busy(`${mostOfOneCaller} jobs of yours are running`);
    }
    const job = new RunningJob();
    const id = this.#nextId++;
    const node = 'node' in order ? (order.node?.node ?? null) : null;
    const device = 'device' in order ? order.device : null;
    const about = { kind: order.kind, device, node };
    this.#entries.push({ id, caller: who.caller, order: about, begunAtMs: this.#now(), job });
    this.#forgetOld();
    void this.#run(job, order, who).finally(() => job.leave());
    return id;
  }

  #forgetOld(): void {
    const over = this.#entries.filter(({ job }) => job.isOver);
    const tooMany = new Set(over.slice(0, Math.max(0, over.length - mostEnded)));
    this.#entries = this.#entries.filter((entry) => !tooMany.has(entry));
  }

  /**
   * A job that this caller may get at: their own, or any for those who administer.
   *
   * @throws CardwrightError `daemon.no-such-job`, also for one that is somebody else's
   */
  find({ caller, right }: Caller, id: number): RunningJob {
    const entry = this.#entries.find((one) => one.id === id);
    if (entry && (entry.caller === caller || right === 'administer')) return entry.job;
    throw new CardwrightError('daemon.no-such-job', { facts: { job: id } });
  }

  list({ caller, right }: Caller): JobView[] {
    return this.#entries
      .filter((entry) => entry.caller === caller || right === 'administer')
      .map(({ id, order, begunAtMs, job, ...entry }) => ({
        id,
        ...order,
        standing: job.standing,
        phase: job.phase,
        record: job.record,
        end: job.end,
        begunAtMs,
        isOwn: entry.caller === caller,
      }));
  }

  /** Takes no more jobs, lets those that run finish or cancels them, and waits until all are over. */
  async close(jobs: 'finish' | 'cancel'): Promise<void> {
    this.#isClosing = true;
    const running = this.#entries.filter(({ job }) => !job.isOver).map(({ job }) => job);
    for (const job of running) {
      job.tell({ type: 'stopping', jobs });
      // One that only waits for somebody would never finish.
      if (jobs === 'cancel' || job.standing !== 'running') job.cancel();
    }
    const nobodyLeaves = new AbortController().signal;
    await Promise.all(
      running.map((job) => job.follow(Number.MAX_SAFE_INTEGER, () => undefined, nobodyLeaves)),
    );
  }
}

const busy = (what: string) => new CardwrightError('daemon.busy', { facts: { what } });
