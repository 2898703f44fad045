import { join } from 'node:path';
import { readPlan } from '../../src/batch/plan/read-plan.ts';
import { gatherNode } from '../../src/cli/remote/job-orders.ts';
import { materialsOnDisk } from '../../src/job/station/materials-on-disk.ts';
import { waitFor } from '../lab/processes.ts';
import { ask, type DaemonStation } from './daemon-process.ts';
import { type Held, heldBy, partsOf } from './parts-of-daemon.ts';

export interface SoakEnd {
  jobs: number;
  /** how the jobs ended: "done" or a code, and how many so */
  ends: Record<string, number>;
  before: Record<'front' | 'station', Held>;
  after: Record<'front' | 'station', Held>;
  elapsedMs: number;
}

type Line = Record<string, unknown>;

/**
 * Job after job on one card that was made before: files replaced, read back, looked at, refused for a wrong code,
 * cancelled at the question; and what the daemon's parts hold before and after.
 *
 * @param warmUp jobs before the first look: what is kept of ended jobs is then as much as it will ever be
 */
export async function soak(
  station: DaemonStation,
  device: string,
  { warmUp, jobs }: { warmUp: number; jobs: number },
): Promise<SoakEnd> {
  const pids = partsOf(station);
  const look = () => ({ front: heldBy(pids.front), station: heldBy(pids.station) });
  const run = await jobRunner(station, device);
  for (let at = 0; at < warmUp; at++) await run(at);
  const ends: Record<string, number> = {};
  const before = look();
  const begun = Date.now();
  for (let at = 0; at < jobs; at++) {
    const end = await run(at);
    ends[end] = (ends[end] ?? 0) + 1;
  }
  const elapsedMs = Date.now() - begun;
  // Connections that were kept alive for the next request have an end of their own.
  await new Promise((resolve) => setTimeout(resolve, 6000));
  return { jobs, ends, before, after: look(), elapsedMs };
}

async function jobRunner(station: DaemonStation, device: string): Promise<(at: number) => Promise<string>> {
  const socket = join(station.daemon.runtime, 'write.sock');
  const say = (method: string, path: string, body?: unknown) =>
    ask(socket, method, path, { secret: 's'.repeat(43), ...(body === undefined ? {} : { body }) });
  const { plan } = await readPlan(station.plan);
  const [node] = plan.nodes;
  if (!node) throw new Error('no node');
  const sent = gatherNode({ plan, node, materials: materialsOnDisk }, false);
  const personalize = (confirm: string | null) =>
    ({ kind: 'personalize', device, mayUnmount: false, confirm, hold: false, node: sent }) as const;
  const code = async () => {
    const { graph, looks } = (await say('GET', '/v1/devices')).value as {
      graph: { disks: { node: string }[] };
      looks: { code: string }[];
    };
    return looks[graph.disks.findIndex((disk) => disk.node === device)]?.code ?? '';
  };
  const viewOf = async (id: number) => {
    const { jobs } = (await say('GET', '/v1/jobs')).value as { jobs: Line[] };
    return jobs.find((one) => one.id === id);
  };
  const until = <T>(what: string, seen: () => Promise<T | null>) =>
    waitFor(what, seen, { timeoutMs: 60_000, everyMs: 20 });

  async function finish(order: object, cancelsAtQuestion = false): Promise<string> {
    const begun = await say('POST', '/v1/jobs', order);
    const id = Number(begun.value.job);
    if (!(id > 0)) throw new Error(JSON.stringify(begun));
    if (cancelsAtQuestion) {
      await until('the question', async () => ((await viewOf(id))?.standing === 'asking' ? true : null));
      await say('POST', `/v1/jobs/${id}/cancel`);
    }
    return until('the end', async () => ((await viewOf(id))?.end as string | null) ?? null);
  }

  return async (at) => {
    const turn = at % 10;
    if (turn === 0) return finish(personalize(await code()));
    if (turn < 4) return finish({ kind: 'verify', device, recordId: null, image: null });
    if (turn < 6) return finish({ kind: 'foresee', device, node: sent });
    if (turn < 8) return finish(personalize('ZZZZ'));
    return finish(personalize(null), true);
  };
}
