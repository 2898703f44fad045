import type { BenchPort } from '../../../batch/bench/bench-events.ts';
import { type BatchHost, runBatch } from '../../../batch/run-batch.ts';
import { stageImage } from '../../../batch/stage-image.ts';
import type { ImageFacts } from '../../../contract/image.ts';
import type { ApprovalQuestion } from '../../../job/station/approval-port.ts';
import { codeOfDisk } from '../../../job/station/survey-disks.ts';
import { writePreparedCard } from '../../../job/station/write-card.ts';
import { nextWorkerUser } from '../../../job/supervisor/worker-user.ts';
import { imageFacts } from '../../contract/image-form.ts';
import { benchForm, type JobEnds } from '../../contract/job-lines.ts';
import { materialsOf, type OrderOfKind } from '../../contract/job-orders.ts';
import type { OrderDesk } from './order-desk.ts';
import { withImage } from './with-image.ts';

/** A whole set at the station's readers, with whoever follows the job as the person at the bench. */
export function runBatchOrder(desk: OrderDesk, order: OrderOfKind<'batch'>): Promise<JobEnds['batch']> {
  const { plan, only, again, readers } = order;
  return withImage(desk, order.image, async (image) => {
    const { outcome } = await runBatch(hostOf(desk, order, image.facts), {
      ...{ plan, image, only, again, readers },
      materials: materialsOf(order.materials),
      imageNamed: imageFacts(order.image.facts),
    });
    return { outcome };
  });
}

function hostOf(
  desk: OrderDesk,
  { canAsk, image: { wish } }: OrderOfKind<'batch'>,
  sent: ImageFacts,
): BatchHost {
  const { station, records, codes, key, toolVersion } = desk.parts;
  const { job } = desk;
  return {
    ...{ records, key, toolVersion, signal: job.signal },
    station: { ...station, key: codes.freshKey() },
    bench: benchOf(desk, canAsk),
    tell: (event) => job.tell({ type: 'batch', event }),
    // Whoever sent the plan has looked at it with its image.
    check: async () => undefined,
    stage: (image, signal) =>
      stageImage(image, signal, {
        user: nextWorkerUser(),
        look: async (path) => unpackedFacts(sent, path),
      }),
    write: (job, request, onBegun) => writePreparedCard(job, { ...request, wish }, onBegun),
  };
}

/** The unpacked copy is what the sender said of it: nothing of it is read here for that. */
function unpackedFacts({ fileStamp: _packed, ...facts }: ImageFacts, path: string): ImageFacts {
  const packedBytes = facts.sizeBytes ?? 0;
  return { ...facts, path, container: 'raw', packedBytes, memberName: null };
}

function benchOf(desk: OrderDesk, canAsk: boolean): BenchPort {
  const { job } = desk;
  return {
    // A script's codes come as answers, too: nobody who follows is nobody to ask.
    canAsk,
    tell: (event) => job.tell({ type: 'bench', event: benchForm(event) }),
    async ask(question, reader, gone) {
      const typed = await job.ask({ asks: question, reader, gone });
      return typed === null ? null : translate(desk, question, typed);
    },
  };
}

/** A code that was shown before the batch has a key of its own; if it is this card's as it is now, it counts. */
async function translate(
  { parts, who }: OrderDesk,
  { disk, code }: ApprovalQuestion,
  typed: string,
): Promise<string> {
  const [given = '', ...name] = typed.split(':');
  if (given.trim().toUpperCase() === code) return typed;
  const key = parts.codes.redeem(given, who.caller);
  const isThisCard =
    key !== null && (await codeOfDisk(key, disk, parts.station.reader)) === given.trim().toUpperCase();
  return isThisCard ? [code, ...name].join(':') : typed;
}
