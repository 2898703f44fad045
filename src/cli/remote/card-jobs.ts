import type { CardMade, JobEnds } from '../../daemon/contract/job-lines.ts';
import type { JobOrder } from '../../daemon/contract/job-orders.ts';
import type { Approver } from '../../job/station/approval-port.ts';
import type { MadeCard, TellBegun } from '../commands/job-end.ts';
import type { Desk } from '../desk.ts';
import type { DaemonClient } from './daemon-client.ts';
import { hearJob } from './hear-job.ts';

/** Runs an order that makes a card. The card is in the daemon's hands, until it is let go there. */
export async function makeThroughDaemon(
  desk: Desk,
  daemon: DaemonClient,
  order: Extract<JobOrder, { hold: boolean }>,
  { approver, tellBegun }: { approver: Approver; tellBegun: TellBegun },
): Promise<MadeCard> {
  const { job } = await daemon.startJob(order);
  return new Promise((resolve, reject) => {
    const over = hearJob(desk, daemon, job, {
      approver,
      onBegun: ({ record, card }) => tellBegun({ recordId: record, card }),
      onEnd: (value) => resolve({ ...(value as CardMade), letGo: () => over }),
    });
    over.catch(reject);
  });
}

/** Only jobs that take a card ask anything. */
const nobody: Approver = { ask: async () => null };

/** Runs an order that makes no card. */
export async function askThroughDaemon<Kind extends 'verify' | 'foresee'>(
  desk: Desk,
  daemon: DaemonClient,
  order: Extract<JobOrder, { kind: Kind }>,
): Promise<JobEnds[Kind]> {
  const { job } = await daemon.startJob(order);
  let end: unknown = null;
  await hearJob(desk, daemon, job, {
    approver: nobody,
    onBegun: () => undefined,
    onEnd(value) {
      end = value;
    },
  });
  return end as JobEnds[Kind];
}
