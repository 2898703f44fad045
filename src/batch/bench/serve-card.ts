import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { PhaseTime } from '../../contract/job.ts';
import type { Plan } from '../../contract/plan.ts';
import { compareIdentity } from '../../devices/read-identity.ts';
import { checkApproval } from '../../guard/approval/check-approval.ts';
import type { ApprovalQuestion, Approver } from '../../job/station/approval-port.ts';
import type { CheckedImage } from '../../job/station/check-image.ts';
import { holdUntilGone } from '../../job/station/let-go.ts';
import type { PlanMaterials } from '../../job/station/plan-materials.ts';
import type { writeCard } from '../../job/station/prepare-image.ts';
import type { JobMarks, StationJob } from '../../job/station/take-card.ts';
import type { JobBegun } from '../../job/station/write-card.ts';
import type { CardInReader } from '../../job/supervisor/card-in-reader.ts';
import { selectNode } from '../plan/select-node.ts';
import type { BenchPort, BenchRow, NodePlace } from './bench-events.ts';
import type { CardSeen } from './bench-types.ts';
import type { CardDecision } from './judge-card.ts';

/** What all cards of a batch share. */
export interface BatchParts extends Omit<StationJob, 'approver' | 'port' | 'marks'> {
  plan: Plan;
  image: CheckedImage;
  materials: PlanMaterials;
  /** `writeCard`, or the same for an image that was looked through before */
  write: typeof writeCard;
  /** for a node's job: what its record says beside the rest */
  marksFor(node: string, seen: CardSeen): JobMarks;
  bench: BenchPort;
}

export interface CardService {
  place: NodePlace;
  seen: CardSeen;
  decision: CardDecision;
  /** aborted when the card is no longer in the reader */
  gone: AbortSignal;
  /** the code was typed, and was the right one */
  onApproved(): void;
}

/** `unasked`: there was nobody to ask. `refused`: no approval, or the guard said no: nothing was written. */
export type ServiceEnd = 'done' | 'failed' | 'refused' | 'unasked' | 'changed';

/**
 * One card from the approval to its release: the same job as `write`. Holds on until the card is out of the reader, where
 * it could not be ejected.
 *
 * @throws CardwrightError that concerns the whole batch: image, records, plan, cancelled
 */
export async function serveCard(parts: BatchParts, service: CardService): Promise<ServiceEnd> {
  const { bench, plan } = parts;
  const { place, seen } = service;
  const { reader, disk } = seen;
  const asked = { end: null as ServiceEnd | null };
  const begun: { record: number; card: CardInReader; atMs: number }[] = [];
  const port = {
    emit: (event: Parameters<StationJob['port']['emit']>[0]) =>
      bench.tell({ type: 'job', reader, event, ...place }),
  };
  const job: StationJob = {
    ...parts,
    port,
    approver: approverFor(parts, service, asked),
    marks: parts.marksFor(place.node, seen),
  };
  const request = {
    image: parts.image,
    device: disk.node,
    mayUnmount: plan.unmount === 'yes' || service.decision.asks,
    node: { plan, node: selectNode(plan, place.node), materials: parts.materials },
  };
  try {
    const onBegun: JobBegun = ({ recordId, card }) => {
      begun.push({ record: recordId, card, atMs: Date.now() });
      bench.tell({ type: 'job-begun', reader, record: recordId, card: card.identity, ...place });
    };
    const written = await parts.write(job, request, onBegun);
    const [first] = begun;
    const row = rowOf(
      service,
      { record: first?.record ?? 0, elapsedMs: Date.now() - (first?.atMs ?? Date.now()) },
      written.outcome.times,
    );
    await release(parts, service, written.card, row);
    return 'done';
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
    const [first] = begun;
    if (!first) return tellRefusal(parts, service, asked.end, error);
    const row = rowOf(service, { record: first.record, elapsedMs: Date.now() - first.atMs }, [], error.code);
    bench.tell({ type: 'card-not-done', reader, error, row, ...place });
    if (concernsAll(error)) throw error;
    return 'failed';
  }
}

/** Errors after which the next card would meet the same. */
export function concernsAll({ code }: CardwrightError): boolean {
  return (
    /^(?:image|records|plan|usage|identity|seed)\./.test(code) ||
    [
      'job.cancelled',
      'job.no-record',
      'job.image-changed',
      'job.image-unreadable',
      'job.short-image',
      'job.long-image',
      'job.no-boot-volume',
    ].includes(code)
  );
}

function tellRefusal(
  { bench }: BatchParts,
  { place, seen }: CardService,
  end: ServiceEnd | null,
  error: CardwrightError,
): ServiceEnd {
  if (end !== null && end !== 'refused') return end;
  if (
    error.code === 'job.identity-changed' ||
    error.code === 'media.gone' ||
    error.code === 'media.changed'
  ) {
    tellSwapped(bench, seen);
    return 'changed';
  }
  if (concernsAll(error)) throw error;
  bench.tell({ type: 'card-not-done', reader: seen.reader, error, row: null, ...place });
  return 'refused';
}

function tellSwapped(bench: BenchPort, { reader }: CardSeen): void {
  bench.tell({ type: 'card-seen', reader, says: [finding('batch.swapped', 'note', { reader })] });
}

/**
 * Gives the card's own code where the reader's approval holds for it, and asks where it does not. A name that has to be
 * typed is always asked for. A card that is not the one that was looked at gets no approval.
 */
function approverFor(
  { bench }: BatchParts,
  service: CardService,
  asked: { end: ServiceEnd | null },
): Approver {
  const { seen, decision, gone, onApproved } = service;
  const { reader } = seen;
  return {
    async ask(question) {
      if (!isSameCard(question, seen)) {
        tellSwapped(bench, seen);
        asked.end = 'changed';
        return null;
      }
      if (!decision.asks && question.volumeName === null) return question.code;
      const typed = await bench.ask(question, reader, gone);
      if (typed === null && !bench.canAsk) {
        const says: Finding[] = [finding('batch.needs-code', 'note', { reader, code: question.code })];
        bench.tell({ type: 'card-seen', reader, says });
        asked.end = 'unasked';
      } else if (gone.aborted) asked.end = 'changed';
      const { code: expected, volumeName: demandedName } = question;
      if (checkApproval({ typed, expected, demandedName }).length === 0) onApproved();
      else if (asked.end === null) {
        bench.tell({ type: 'card-seen', reader, says: [finding('batch.code-refused', 'note', { reader })] });
        asked.end = 'refused';
      }
      return typed;
    },
  };
}

function isSameCard({ disk, code }: ApprovalQuestion, seen: CardSeen): boolean {
  return code === seen.code && compareIdentity(disk, seen.disk).length === 0;
}

function rowOf(
  { place, seen }: CardService,
  { record, elapsedMs }: { record: number; elapsedMs: number },
  times: readonly PhaseTime[],
  code: string | null = null,
): BenchRow {
  const write = times.find(({ phase, elapsedMs: ms }) => phase === 'write' && ms > 0);
  return {
    ...place,
    reader: seen.reader,
    cardBytes: seen.disk.sizeBytes,
    result: code === null ? 'done' : 'not done',
    code,
    elapsedMs,
    bytesPerSecond: write ? (write.bytes * 1000) / write.elapsedMs : null,
    record,
  };
}

/** Ejected, or held until it is out, so that nothing opens a finished card in between. */
async function release(
  { bench, signal }: BatchParts,
  { place, seen }: CardService,
  card: CardInReader,
  row: BenchRow,
): Promise<void> {
  const isEjected = await card.eject();
  bench.tell({
    type: 'card-done',
    reader: seen.reader,
    row,
    release: isEjected ? 'ejected' : 'take it out',
    ...place,
  });
  if (isEjected || isHeldByUs(seen.disk)) card.close();
  else await holdUntilGone(card, signal);
}

/** A loop device stays attached as long as anybody has it open: it would never be "gone". */
function isHeldByUs({ kind }: Disk): boolean {
  return kind === 'loop';
}
