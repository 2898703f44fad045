import type { BenchPort } from '../../batch/bench/bench-events.ts';
import type { BatchEvent } from '../../batch/run-batch.ts';
import type { Plan } from '../../contract/plan.ts';
import type { OrderOfKind } from '../../daemon/contract/job-orders.ts';
import { inspectImage } from '../../image/inspect-image.ts';
import type { CheckedImage } from '../../job/station/check-image.ts';
import { checkPlanImage } from '../../job/station/check-plan-image.ts';
import { materialsOnDisk } from '../../job/station/materials-on-disk.ts';
import { wishSeed } from '../../job/station/plan-seed.ts';
import type { BatchOutcome } from '../../records/record-types.ts';
import type { Desk } from '../desk.ts';
import type { DaemonClient } from './daemon-client.ts';
import { hearJob } from './hear-job.ts';
import { gatherNode, orderImage } from './job-orders.ts';

export interface BatchToSend {
  plan: Plan;
  image: CheckedImage;
  options: { only: string[]; again: string[]; reader: string[] };
  bench: BenchPort;
  tell(event: BatchEvent): void;
}

/** A whole set at the daemon's readers, with this process as the person at the bench. */
export async function batchThroughDaemon(
  desk: Desk,
  daemon: DaemonClient,
  { plan, image, options, bench, tell }: BatchToSend,
): Promise<{ outcome: BatchOutcome }> {
  const order = await orderOf(desk, daemon, { plan, image, options, canAsk: bench.canAsk });
  const { job } = await daemon.startJob(order);
  let end: { outcome: BatchOutcome } = { outcome: 'failed' };
  await hearJob(desk, daemon, job, {
    approver: { ask: async () => null },
    bench: { port: bench, tell },
    onBegun: () => undefined,
    onEnd(value) {
      end = value as typeof end;
    },
  });
  return end;
}

async function orderOf(
  desk: Desk,
  daemon: DaemonClient,
  { plan, image, options, canAsk }: Pick<BatchToSend, 'plan' | 'image' | 'options'> & { canAsk: boolean },
): Promise<OrderOfKind<'batch'>> {
  const { signal, output } = desk;
  await checkPlanImage(plan, { port: output.events, signal });
  // A packed image is looked through as a whole here: the daemon only unpacks it.
  const { expectedSha256, facts } = image;
  const whole =
    facts.container === 'raw' ? facts : await inspectImage(facts.path, { decode: 'always', signal });
  const known = { facts: { ...whole, packedSha256: facts.packedSha256 }, expectedSha256 };
  const nodes = plan.nodes.map((node) => gatherNode({ plan, node, materials: materialsOnDisk }, true));
  return {
    kind: 'batch',
    plan,
    materials: Object.fromEntries(nodes.map(({ node, materials }) => [node, materials])),
    image: await orderImage(desk, daemon, known, await wishSeed(known.facts, plan)),
    only: options.only,
    again: options.again,
    readers: options.reader,
    canAsk,
  };
}
