import { randomBytes } from 'node:crypto';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { EventPort } from '../../contract/events.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { ImageVolume } from '../../contract/image.ts';
import {
  type DigestMap,
  type ImageLayout,
  type JobResult,
  mibBytes,
  type Phase,
  type PhaseTime,
} from '../../contract/job.ts';
import type { SeedOrder } from '../engine/add-seed.ts';
import { roundUp } from '../engine/card-head.ts';
import { coveredBytes } from '../engine/digest-map.ts';
import type { EditOrder, EditReport } from '../engine/edit-boot-volume.ts';
import type { VerifyAnswer } from '../engine/session.ts';
import {
  counterFinding,
  type HeadSeen,
  type JobMark,
  mismatchError,
  sentMeanwhile,
  stateAfter,
} from '../verdict.ts';
import type { CardInReader } from './card-in-reader.ts';
import { dismissWorker, lookAtHead } from './end-of-worker.ts';
import { handOver } from './hand-over.ts';
import { explainEarlyEnd, failingDecoder, type ImageInHand, settleImage } from './image-in-hand.ts';
import type { JobLog } from './job-log.ts';
import type { RunningWorker } from './start-worker.ts';
import { stopInTime } from './stop-in-time.ts';
import type { WorkerUser } from './worker-user.ts';

export interface JobOrder {
  card: CardInReader;
  /** the image to write; null where a finished card is personalized */
  image: ImageInHand | null;
  /** the card as its record says it is; null where an image is written */
  finished: { map: DigestMap; record: number } | null;
  layout: ImageLayout;
  /** volumes of a packed image that could not be looked into beforehand; empty where they were */
  unseenVolumes: ImageVolume[];
  /** the volume for the node's files that is made behind the image; null where it has one of its own */
  seed: SeedOrder | null;
  /** the node's files; null where an image is written as it is */
  edit: EditOrder | null;
  user: WorkerUser | null;
  log: JobLog;
  port: EventPort;
  signal: AbortSignal;
}

export interface JobOutcome extends JobResult {
  edit: EditReport | null;
}

/**
 * Conducts one card from the hand-over to the seal. The worker does everything that touches the card; this decides
 * what comes next, writes it down first, and derives the verdict. The caller holds the claim and releases it.
 *
 * A crash inside leaves the claim and the lock free, no worker behind, and a record that says how far it came.
 *
 * @throws CardwrightError with the card's state; the record says the same
 */
export async function runJob(order: JobOrder): Promise<JobOutcome> {
  return new JobRun(order).run();
}

class JobRun {
  readonly #order: JobOrder;
  readonly #times: PhaseTime[] = [];
  readonly #findings: Finding[] = [];
  #mark: JobMark = 'nothing written';
  #phase: Phase = 'hand-over';
  #edit: EditReport | null = null;

  constructor(order: JobOrder) {
    this.#order = order;
  }

  async run(): Promise<JobOutcome> {
    let worker: RunningWorker | null = null;
    try {
      worker = await this.#step('hand-over', () => this.#handOver());
      const running = worker;
      const verified = await stopInTime(this.#order.signal, running, () => this.#conduct(running));
      await dismissWorker(worker);
      return this.#outcome(verified);
    } catch (cause) {
      const error = cause instanceof CardwrightError ? cause : unforeseen(cause);
      const head = await lookAtHead(worker, this.#mark, error, this.#order.signal);
      const isGone = worker === null || (await dismissWorker(worker));
      throw this.#fail(isGone ? await this.#nameLoss(error) : error, head, isGone);
    } finally {
      await this.#order.image?.stream.close();
    }
  }

  #handOver(): Promise<RunningWorker> {
    const { card, image, user, port, signal } = this.#order;
    return handOver(card, image, user, port, signal);
  }

  async #conduct(worker: RunningWorker): Promise<VerifyAnswer> {
    const { image, finished, seed, edit, layout } = this.#order;
    if (finished) await this.#expectUnchanged(worker, finished);
    // An image was asked before its card was taken; a finished card says only now what its first boot carries.
    if (finished && edit) await worker.call('checkEdit', edit);
    const keepBytes = image?.sizeBytes ?? finished?.map.sizeBytes ?? 0;
    await this.#expectSameCard();
    await this.#step('head-off', () => {
      this.#mark = 'head is coming off';
      return worker.call('takeHeadOff', { keepBytes });
    });
    this.#mark = 'head is off';
    if (image) {
      const seedStartByte = seed?.startByte ?? null;
      const probe = { salt: randomBytes(16), imageBytes: image.sizeBytes, seedStartByte };
      await this.#step('probe', () => worker.call('probe', probe));
      await this.#step('write', () => this.#write(worker, image), image.sizeBytes);
    }
    if (edit) await this.#step('personalize', () => this.#personalize(worker, edit));
    const verified = await this.#step('verify', () => this.#verify(worker, layout), this.#writtenBytes());
    await this.#noteHazards(worker);
    await this.#step('seal', () => this.#seal(worker, verified));
    return verified;
  }

  async #personalize(worker: RunningWorker, edit: EditOrder): Promise<void> {
    const { seed } = this.#order;
    if (seed) {
      await this.#explained(worker, worker.call('addSeed', seed));
      const { partition, startByte, sizeBytes } = seed;
      this.#note(finding('seed.made', 'note', { partition, startByte, sizeBytes }));
    }
    this.#edit = await this.#explained(worker, worker.call('edit', edit));
    const { identitySha256, findings } = this.#edit;
    this.#order.log.saveIdentityFile({ sha256: identitySha256, filesKey: edit.filesKey });
    for (const found of findings) this.#note(found);
  }

  /** What has to be read back. */
  #writtenBytes(): number {
    const { card, image, finished, seed } = this.#order;
    if (finished) return coveredBytes(finished.map);
    const imageBytes = image?.sizeBytes ?? 0;
    return seed ? roundUp(imageBytes, mibBytes) + card.identity.sizeBytes - seed.startByte : imageBytes;
  }

  /** A packed image is looked into on the card, where it lies unpacked. What is found is said, and stops nothing. */
  async #noteHazards(worker: RunningWorker): Promise<void> {
    const { unseenVolumes: volumes } = this.#order;
    if (volumes.length === 0) return;
    const { findings } = await worker.call('lookForHazards', { volumes });
    for (const found of findings) this.#note(found);
  }

  /** A finished card is read whole before anything is taken from it: one that was started once is another card. */
  async #expectUnchanged(worker: RunningWorker, finished: { map: DigestMap; record: number }): Promise<void> {
    await this.#step('verify', async () => {
      const { damage } = await worker.call('verify', {
        map: finished.map,
        headIsOff: false,
        layout: this.#order.layout,
      });
      if (damage) {
        const { findings, facts } = mismatchError(damage, 'untouched');
        throw new CardwrightError('job.card-changed', {
          facts: { ...facts, record: finished.record },
          findings,
        });
      }
      await worker.call('holdHead', { map: finished.map });
    });
  }

  async #write(worker: RunningWorker, image: ImageInHand): Promise<void> {
    const digestWhole = image.stream.kind === 'file' && image.expectedSha256 !== null;
    const answer = await Promise.race([
      worker.call('write', {
        imageBytes: image.sizeBytes,
        digestWhole,
        wholePieces: this.#order.seed !== null,
      }),
      failingDecoder(image),
    ]).catch(async (error) => {
      throw await explainEarlyEnd(image, error);
    });
    await settleImage(image, answer.wholeDigest);
    if (answer.paddedBytes > 0)
      this.#note(finding('job.padded-last-sector', 'note', { bytes: answer.paddedBytes }));
  }

  async #verify(worker: RunningWorker, layout: ImageLayout): Promise<VerifyAnswer> {
    const { card, edit } = this.#order;
    const verified = await worker.call('verify', { map: null, headIsOff: true, layout });
    if (verified.damage) throw mismatchError(verified.damage, 'unbootable');
    const counter = counterFinding(verified, card.counts, card.identity.node);
    if (counter?.severity === 'fail')
      throw new CardwrightError(counter.code, { facts: counter.facts, card: 'unbootable' });
    if (counter) this.#note(counter);
    if (this.#edit && edit) {
      const order = { volume: edit.volume, files: this.#edit.files };
      const { different } = await this.#explained(worker, worker.call('checkFiles', order));
      if (different.length > 0)
        throw new CardwrightError('job.files-differ', { facts: { files: different.join(', ') } });
    }
    return verified;
  }

  /** A mismatch met while the boot volume is read is classified like any other. */
  async #explained<T>(worker: RunningWorker, work: Promise<T>): Promise<T> {
    try {
      return await work;
    } catch (error) {
      if (!(error instanceof CardwrightError) || error.code !== 'job.mismatch') throw error;
      const damage = await worker.call('explainMismatch', { layout: this.#order.layout });
      throw mismatchError(damage, 'unbootable');
    }
  }

  /**
   * The record says "sealing" before the first byte of the head goes out, not only before sector 0: so a record that
   * says "interrupted" means a first MiB of zeros without exception.
   */
  async #seal(worker: RunningWorker, verified: VerifyAnswer): Promise<void> {
    const { log } = this.#order;
    log.saveDigestMap(await worker.call('map', {}));
    await this.#expectSameCard();
    log.markSealing();
    this.#mark = 'sealing';
    await worker.call('sealBody', {});
    await this.#expectSameCard();
    await worker.call('sealFirstBlock', {});
    this.#recordDone(verified);
    this.#mark = 'done';
  }

  /** A card that is complete and whose record cannot be stored is "unconfirmed", never silently done. */
  #recordDone(verified: VerifyAnswer): void {
    try {
      this.#order.log.markDone({ bytesReadBack: verified.bytes, sectorsRead: verified.sectorsRead });
    } catch (cause) {
      const reason = cause instanceof Error ? cause.message : String(cause);
      throw new CardwrightError('job.no-record', { facts: { reason }, cause });
    }
  }

  async #expectSameCard(): Promise<void> {
    const [changed] = await this.#order.card.recheck();
    if (changed) throw new CardwrightError(changed.code, { facts: changed.facts });
  }

  async #step<T>(phase: Phase, work: () => Promise<T>, bytes = 0): Promise<T> {
    const { log, port } = this.#order;
    this.#phase = phase;
    log.enterPhase(phase);
    port.emit({ type: 'phase', phase, state: 'begin' });
    const begun = Date.now();
    const value = await work();
    const elapsedMs = Date.now() - begun;
    if (this.#mark !== 'done') log.endPhase(phase, { elapsedMs, bytes });
    this.#times.push({ phase, elapsedMs, bytes });
    port.emit({ type: 'phase', phase, state: 'end' });
    return value;
  }

  #note(found: Finding): void {
    this.#findings.push(found);
    this.#order.log.addFinding(found);
    this.#order.port.emit({ type: 'finding', finding: found });
  }

  #outcome(verified: VerifyAnswer): JobOutcome {
    const { card, log } = this.#order;
    return {
      recordId: log.recordId,
      card: 'done',
      identity: card.identity,
      findings: this.#findings,
      times: this.#times,
      bytesReadBack: verified.bytes,
      sectorsRead: verified.sectorsRead,
      edit: this.#edit,
    };
  }

  /** A failed transfer may be a card that was pulled or changed. Nothing writes any more, so the slot can be looked at. */
  async #nameLoss(error: CardwrightError): Promise<CardwrightError> {
    if (!/^media\.(read|write|flush)-failed$/.test(error.code)) return error;
    const lost = await this.#order.card.lookIntoSlot();
    return lost
      ? new CardwrightError(lost.code, { facts: { ...error.facts, ...lost.facts }, cause: error })
      : error;
  }

  /** Gives the error its card state and writes both down. Once the record says "done", nothing takes that back. */
  #fail(cause: CardwrightError, head: HeadSeen, workerIsGone: boolean): CardwrightError {
    const { log } = this.#order;
    const { code } = cause;
    const card = stateAfter(this.#mark, cause, head);
    const facts = { phase: this.#phase, ...cause.facts };
    const findings = [...cause.findings, ...sentMeanwhile(cause)];
    if (!workerIsGone) findings.push(finding('job.reader-hangs', 'note'));
    try {
      for (const found of findings) log.addFinding(found);
      if (code === 'job.cancelled') log.markCancelled(card);
      else log.markFailed(code, card);
    } catch (storeError) {
      // The first error is what the person must hear; that its record failed too is added to it.
      const reason = storeError instanceof Error ? storeError.message : String(storeError);
      findings.push(finding('job.no-record', 'fail', { reason }));
    }
    return new CardwrightError(code, { facts, card, findings, cause });
  }
}

function unforeseen(cause: unknown): CardwrightError {
  const reason = cause instanceof Error ? cause.message : String(cause);
  return new CardwrightError('usage.unexpected', { facts: { reason }, cause });
}
