import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { DigestMap } from '../../contract/job.ts';
import { findFileHome } from '../../devices/file-home.ts';
import { describePort } from '../../devices/resolve-device.ts';
import { type SurveyedDisk, surveyDisks } from '../../job/station/survey-disks.ts';
import type { ApprovedReader, BenchNode } from './bench-types.ts';
import { nextNode } from './choose-node.ts';
import { judgeCard } from './judge-card.ts';
import { lookAtCard } from './look-at-card.ts';
import { approvalOf, movedFrom } from './reader-approval.ts';
import { type BatchParts, concernsAll, serveCard } from './serve-card.ts';
import { cardKey, glanceAtReaders, isCandidate, waitingModules } from './watch-readers.ts';

export interface BenchRequest extends BatchParts {
  nodes: BenchNode[];
  /** node → record, of this set, as far as it is not to be made again */
  done: Map<string, number>;
  /** readers named on the command line; empty: all */
  readers: readonly string[];
  /** the batch's image, to know unfinished cards by */
  map: DigestMap | null;
  /** where the image came from: no card of a batch */
  imageSource: string;
}

/** A reader with a card in it that the batch has begun to deal with. */
interface Served {
  key: string;
  gone: AbortController;
  /** `idle`: no node was left for it; `left`: nothing more is done with this card */
  state: 'busy' | 'idle' | 'left' | 'unasked';
}

const glanceEveryMs = 700;
const mostRefusedLooks = 6;

/**
 * The bench: watches the readers, gives every card that appears to the next node, each reader on its own, until every
 * node is done, the batch is cancelled, or nobody can be asked and nothing goes on.
 *
 * @throws CardwrightError that concerns the whole batch, once the jobs that run have ended
 */
export async function runBench(request: BenchRequest): Promise<void> {
  await new Bench(request).run();
}

class Bench {
  readonly #request: BenchRequest;
  readonly #served = new Map<string, Served>();
  readonly #approved = new Map<string, ApprovedReader>();
  readonly #running = new Set<Promise<void>>();
  readonly #toldOnce = new Set<string>();
  /** how often a card was refused, by its key */
  readonly #refusedLooks = new Map<string, number>();
  #lastGlance: string | null = null;
  /** keys of the cards that were in a reader when the batch began */
  #wereThere: ReadonlySet<string> | null = null;
  #toldNext: string | null = null;
  #failure: unknown = null;
  #wake: () => void = () => undefined;

  constructor(request: BenchRequest) {
    this.#request = request;
  }

  async run(): Promise<void> {
    const { signal } = this.#request;
    signal.addEventListener('abort', () => this.#wake(), { once: true });
    try {
      while (!this.#isOver()) {
        await this.#turn();
        if (this.#isOver()) break;
        this.#tellNext();
        await this.#pause();
      }
    } finally {
      // A card that waits at a prompt is let go; one that is being written ends its job.
      for (const served of this.#served.values()) if (signal.aborted || this.#failure) served.gone.abort();
      await Promise.all(this.#running);
    }
    if (this.#failure) throw this.#failure;
  }

  #isOver(): boolean {
    const { nodes, signal, bench } = this.#request;
    if (signal.aborted || this.#failure !== null) return true;
    if (nodes.every(({ state }) => state === 'done')) return true;
    const isStuck = !bench.canAsk && [...this.#served.values()].some(({ state }) => state === 'unasked');
    return isStuck && this.#running.size === 0;
  }

  async #turn(): Promise<void> {
    const { station, readers } = this.#request;
    const glance = await glanceAtReaders(station);
    if (glance === this.#lastGlance) return this.#serveIdle();
    const { graph, disks } = await surveyDisks(station, null);
    this.#lastGlance = glance;
    const { transports } = station.policy;
    const cards = disks.filter((one) => isCandidate(one, { readers, transports }));
    this.#wereThere ??= new Set(cards.map(({ disk }) => cardKey(disk)));
    for (const { port, name } of waitingModules(graph)) {
      this.#tellOnce(finding('batch.module-waiting', 'note', { reader: port, name }));
    }
    this.#noticeGone(disks);
    const present = new Set(disks.map(({ disk }) => describePort(disk)));
    const home = await findFileHome(station.reader, graph, this.#request.imageSource);
    for (const card of cards) {
      const reader = describePort(card.disk);
      if (this.#served.has(reader)) continue;
      if (home.disks.includes(card.disk.name)) {
        this.#tellOnce(finding('batch.image-home', 'note', { reader }));
      } else if (card.result.verdict === 'refused') this.#meetRefused(reader, card);
      else this.#start(reader, card.disk, present);
    }
  }

  #serveIdle(): void {
    if (!nextNode(this.#request.nodes)) return;
    for (const [reader, { state }] of this.#served) {
      if (state !== 'idle') continue;
      this.#served.delete(reader);
      this.#lastGlance = null;
    }
  }

  #noticeGone(disks: readonly SurveyedDisk[]): void {
    const keys = new Map(disks.map(({ disk }) => [describePort(disk), cardKey(disk)]));
    for (const [reader, served] of this.#served) {
      if (keys.get(reader) === served.key) continue;
      served.gone.abort();
      // A job that still runs finds out by itself, and is waited for.
      if (served.state === 'busy') continue;
      this.#served.delete(reader);
      this.#request.bench.tell({ type: 'taken-out', reader });
      this.#toldNext = null;
    }
  }

  /** A card that was put in just now is opened for a moment by programs of the system: that is waited for. */
  #meetRefused(reader: string, card: SurveyedDisk): void {
    const key = cardKey(card.disk);
    const looks = (this.#refusedLooks.get(key) ?? 0) + 1;
    this.#refusedLooks.set(key, looks);
    const refusals = card.result.findings.filter(({ severity }) => severity === 'refuse');
    const mayPass = refusals.every(({ code }) => code === 'guard.held-open' || code === 'guard.fact-unseen');
    if (mayPass && looks < mostRefusedLooks) this.#lastGlance = null;
    else this.#leaveRefused(reader, card);
  }

  /** A refusal is said once a card: while it lies there nothing changes about it. */
  #leaveRefused(reader: string, { disk, result }: SurveyedDisk): void {
    const { bench } = this.#request;
    this.#served.set(reader, { key: cardKey(disk), gone: new AbortController(), state: 'left' });
    const reasons = result.findings.filter(({ severity }) => severity === 'refuse' || severity === 'fail');
    const says: Finding[] = [finding('batch.left-alone', 'note', { reader, node: disk.node }), ...reasons];
    bench.tell({ type: 'card-seen', reader, says });
  }

  #start(reader: string, disk: Disk, present: ReadonlySet<string>): void {
    const node = nextNode(this.#request.nodes);
    const served: Served = { key: cardKey(disk), gone: new AbortController(), state: node ? 'busy' : 'idle' };
    this.#served.set(reader, served);
    if (!node) return;
    node.state = 'taken';
    const work = this.#serve(served, node, disk, present)
      .catch((error: unknown) => {
        this.#failure ??= error;
      })
      .finally(() => {
        this.#running.delete(work);
        if (node.state === 'taken') node.state = 'waiting';
        // A card that is gone by now makes room at the next look.
        this.#lastGlance = null;
        this.#wake();
      });
    this.#running.add(work);
  }

  async #serve(served: Served, node: BenchNode, disk: Disk, present: ReadonlySet<string>): Promise<void> {
    const request = this.#request;
    const reader = describePort(disk);
    const place = { node: node.name, slot: node.slot };
    served.state = 'busy';
    try {
      const wasThere = this.#wereThere?.has(served.key) ?? false;
      const seen = await lookAtCard({ ...request, set: request.plan.set }, disk, wasThere);
      const decision = judgeCard(seen, {
        set: request.plan.set,
        overwrite: request.plan.overwrite,
        unmount: request.plan.unmount,
        done: request.done,
        approved: this.#approved.get(reader) ?? null,
        movedFrom: movedFrom(disk, reader, this.#approved, present),
      });
      if (decision.says.length > 0) {
        request.bench.tell({
          type: 'card-seen',
          reader,
          says: decision.says,
          ...(decision.act === 'write' ? place : {}),
        });
      }
      if (decision.act === 'leave') {
        served.state = 'left';
        return;
      }
      const onApproved = () => void this.#approved.set(reader, approvalOf(disk));
      const end = await serveCard(request, { place, seen, decision, gone: served.gone.signal, onApproved });
      if (end === 'done') this.#settle(node);
      served.state = end === 'unasked' ? 'unasked' : 'left';
      if (end === 'changed') this.#served.delete(reader);
    } catch (error) {
      served.state = 'left';
      if (!(error instanceof CardwrightError) || concernsAll(error)) throw error;
      request.bench.tell({ type: 'card-not-done', reader, error, row: null, ...place });
    }
  }

  #settle(node: BenchNode): void {
    const { records, plan, done } = this.#request;
    node.state = 'done';
    const [record] = records.listRecords({ set: plan.set, node: node.name, states: ['done'], limit: 1 });
    if (record) done.set(node.name, record.id);
  }

  #tellOnce(says: Finding): void {
    const key = JSON.stringify(says);
    if (this.#toldOnce.has(key)) return;
    this.#toldOnce.add(key);
    this.#request.bench.tell({ type: 'card-seen', reader: String(says.facts.reader), says: [says] });
  }

  #tellNext(): void {
    const node = nextNode(this.#request.nodes);
    if (node && node.name !== this.#toldNext) {
      this.#request.bench.tell({ type: 'next', node: node.name, slot: node.slot });
    }
    this.#toldNext = node?.name ?? null;
  }

  #pause(): Promise<void> {
    return new Promise((resolve) => {
      const timer = setTimeout(resolve, glanceEveryMs);
      this.#wake = () => {
        clearTimeout(timer);
        resolve();
      };
    });
  }
}
