import { marksOf } from '../../../batch/bench/node-settings.ts';
import { CardwrightError } from '../../../contract/cardwright-error.ts';
import type { CheckedImage } from '../../../job/station/check-image.ts';
import { foreseeOnCard } from '../../../job/station/foresee-on-card.ts';
import { holdUntilGone } from '../../../job/station/let-go.ts';
import type { NodeRequest } from '../../../job/station/order-edit.ts';
import { personalizeCard } from '../../../job/station/personalize-card.ts';
import type { JobMarks, StationJob } from '../../../job/station/take-card.ts';
import { verifyCardAgain } from '../../../job/station/verify-card.ts';
import { type JobBegun, type WrittenCard, writePreparedCard } from '../../../job/station/write-card.ts';
import { imageFacts } from '../../contract/image-form.ts';
import { type CardMade, type JobEnds, packForecast } from '../../contract/job-lines.ts';
import { type JobOrder, type NodeForm, nodeRequestOf, type OrderOfKind } from '../../contract/job-orders.ts';
import type { Caller } from '../answer-looks.ts';
import type { StationParts } from '../station-parts.ts';
import type { OrderDesk } from './order-desk.ts';
import { runBatchOrder } from './run-batch-order.ts';
import type { RunningJob } from './running-job.ts';
import { withImage } from './with-image.ts';

type Runs = {
  [Kind in JobOrder['kind']]: (desk: OrderDesk, order: OrderOfKind<Kind>) => Promise<JobEnds[Kind]>;
};

const runs: Runs = {
  write: runWrite,
  personalize: runPersonalize,
  foresee: runForesee,
  verify: runVerify,
  batch: runBatchOrder,
};

/** Runs an order to its end; whatever goes wrong is told by the job itself. */
export async function runOrder(
  parts: StationParts,
  job: RunningJob,
  order: JobOrder,
  who: Caller,
): Promise<void> {
  try {
    const run = runs[order.kind] as (desk: OrderDesk, order: JobOrder) => Promise<unknown>;
    const value = await run({ parts, job, who }, order);
    // A card that was made has told its end already, and is only held since.
    if (job.end === null) job.settle({ value });
  } catch (error) {
    if (job.end === null) job.settle({ error });
  }
}

async function runWrite(desk: OrderDesk, order: OrderOfKind<'write'>): Promise<CardMade> {
  const node = order.node && nodeOf(order.node);
  return withImage(desk, order.image, async (image) => {
    const { path, container, packedSha256, sizeBytes } = order.image.facts;
    const recorded = { path, container, packedSha256, sizeBytes, digestMapRoot: null };
    const marks = { ...marksOf(desk.parts.key, node, imageFacts(order.image.facts)), image: recorded };
    const { device, mayUnmount } = order;
    const request = { image, wish: order.image.wish, device, mayUnmount, node };
    const made = await writePreparedCard(stationJob(desk, order.confirm, marks), request, beginning(desk));
    return release(desk, made, order.hold);
  });
}

async function runPersonalize(desk: OrderDesk, order: OrderOfKind<'personalize'>): Promise<CardMade> {
  const node = nodeOf(order.node);
  const { device, mayUnmount } = order;
  const job = stationJob(desk, order.confirm, marksOf(desk.parts.key, node, null));
  const made = await personalizeCard(job, { device, mayUnmount, node }, beginning(desk));
  return release(desk, made, order.hold);
}

async function runForesee(
  { parts, job }: OrderDesk,
  order: OrderOfKind<'foresee'>,
): Promise<JobEnds['foresee']> {
  const { station, records, toolVersion } = parts;
  const about = { device: order.device, request: nodeOf(order.node) };
  const { disk, recordId, forecast } = await foreseeOnCard(
    { station, records, port: job.port, toolVersion },
    about,
  );
  return { disk, recordId, forecast: packForecast(forecast) };
}

function runVerify(desk: OrderDesk, order: OrderOfKind<'verify'>): Promise<JobEnds['verify']> {
  const { station, records, toolVersion } = desk.parts;
  const { port, signal } = desk.job;
  const { device, recordId } = order;
  const verify = (image: CheckedImage | null) =>
    verifyCardAgain({ station, records, port, signal, toolVersion }, { device, recordId, image });
  return order.image ? withImage(desk, order.image, verify) : verify(null);
}

function stationJob({ parts, job, who }: OrderDesk, confirm: string | null, marks: JobMarks): StationJob {
  const { station, records, codes, toolVersion } = parts;
  // A code that was shown before has a key of its own; a question within the job gets a fresh one.
  const shown = confirm === null ? null : codes.redeem(confirm.split(':')[0] ?? '', who.caller);
  return {
    station: { ...station, key: shown ?? codes.freshKey() },
    records,
    approver: job.approver(confirm),
    port: job.port,
    signal: job.signal,
    toolVersion,
    marks,
  };
}

const beginning =
  ({ job }: OrderDesk): JobBegun =>
  ({ recordId, card }) =>
    job.tell({ type: 'begun', record: recordId, card: card.identity });

/** Ejects the card; where that is not to be had and somebody watches, holds it until it is out. */
async function release(
  { job }: OrderDesk,
  { outcome, card, disk }: WrittenCard,
  hold: boolean,
): Promise<CardMade> {
  const isEjected = await card.eject();
  const made: CardMade = { outcome, disk, release: isEjected ? 'ejected' : 'take it out' };
  job.settle({ value: made });
  // A loop device stays attached as long as anybody has it open: it would never be "gone".
  if (isEjected || !hold || disk.kind === 'loop') card.close();
  else await holdUntilGone(card, job.signal);
  return made;
}

function nodeOf(form: NodeForm): NodeRequest {
  const node = nodeRequestOf(form);
  if (node) return node;
  throw new CardwrightError('daemon.bad-request', { facts: { why: 'the plan has no such node' } });
}
