import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { readPlan } from '../../src/batch/plan/read-plan.ts';
import { gatherNode } from '../../src/cli/remote/job-orders.ts';
import { materialsOnDisk } from '../../src/job/station/materials-on-disk.ts';
import { expectFree } from '../e2e/lying-media.ts';
import { makeOrchard } from '../e2e/make-orchard.ts';
import type { ToolEnd } from '../e2e/run-tool.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { waitFor } from '../lab/processes.ts';
import { comparableLines } from './both-ways.ts';
import { ask, type DaemonStation, startDaemon, withDaemon } from './daemon-process.ts';

const mib = 2 ** 20;

const withCard = (body: (station: DaemonStation, disk: LoopDisk) => Promise<void>, more = {}) =>
  withLoopDisk({ sizeBytes: 96 * mib, backing: 'tmpfs', content: 'zeros' }, (disk) =>
    withDaemon([disk.node], makeOrchard, (station) => body(station, disk), more),
  );

type Line = Record<string, unknown>;
const isWriting = ({ type, phase, state }: Line) =>
  type === 'phase' && phase === 'write' && state === 'begin';

async function startWrite(station: DaemonStation, { node }: LoopDisk) {
  const { image, plan, codeOf } = station;
  const words = ['--plan', plan, '--node', 'orchard-02', '--confirm', await codeOf(node)];
  return station.start('write', image, node, ...words);
}

/** The station's process among the daemon's children. */
function stationPid({ daemon: { child } }: DaemonStation): number {
  const children = fs.readFileSync(`/proc/${child.pid}/task/${child.pid}/children`, 'utf8').trim().split(' ');
  const isStation = (pid: string) => fs.readFileSync(`/proc/${pid}/cmdline`, 'utf8').includes('station.js');
  return Number(children.find(isStation));
}

describeWith(['loop', 'tmpfs-direct-io'], 'jobs through the daemon', { timeoutMs: 300_000 }, () => {
  it('go as they do in a process of one’s own: the same lines, exit status and record', () =>
    withCard(async (station, { node, changeCard }) => {
      const { image, plan } = station;
      const directCode = async () => {
        const { lines } = await station.direct('devices');
        const disks = (lines.at(-1)?.disks ?? []) as { node: string; code: string | null }[];
        return disks.find((disk) => disk.node === node)?.code ?? '';
      };
      const forNode = (name: string) => ['--plan', plan, '--node', name];
      /** One command both ways, each on a card that is as the other's was. */
      const bothWays = async (prepare: () => Promise<unknown>, words: (code: string) => string[]) => {
        await prepare();
        const here: ToolEnd = await station.direct(...words(await directCode()));
        await prepare();
        const there: ToolEnd = await station.run(...words(await station.codeOf(node)));
        const label = words('CODE').join(' ');
        expect(comparableLines(there), label + there.stderr).toEqual(comparableLines(here));
        expect(there.status, label).toBe(here.status);
        return there;
      };
      const blank = () => changeCard({ content: 'zeros' });
      const asItIs = async () => undefined;
      const write = (code: string) => ['write', image, node, ...forNode('orchard-02'), '--confirm', code];

      expect((await bothWays(blank, write)).status).toBe(0);
      expect((await bothWays(asItIs, () => ['verify', node])).status).toBe(0);
      expect((await bothWays(asItIs, () => ['verify', node, '--image', image])).status).toBe(6);
      const again = [node, ...forNode('orchard-03')];
      expect((await bothWays(asItIs, () => ['personalize', ...again, '--dry-run'])).status).toBe(0);
      expect((await bothWays(asItIs, (code) => ['personalize', ...again, '--confirm', code])).status).toBe(0);
      expect((await bothWays(asItIs, () => ['write', image, node, '--confirm', 'ZZZZ'])).status).toBe(9);
      expect((await bothWays(asItIs, () => ['write', image, node])).status).toBe(9);
      expect(
        (await bothWays(asItIs, () => ['write', image, '/dev/nothing', '--confirm', 'ZZZZ'])).status,
      ).toBe(2);
      expect((await bothWays(blank, () => ['verify', node])).status).not.toBe(0);

      const page = join(station.folder, 'labels.html');
      expect((await bothWays(asItIs, () => ['labels', plan, '--out', page])).status).toBe(0);
      expect((await bothWays(asItIs, () => ['rollcall', plan, '--only', 'orchard-02'])).status).toBe(12);

      const { lines } = await station.run('records', '--set', 'orchard');
      const records = (lines.at(-1)?.records ?? []) as {
        state: string;
        node: string;
        image: { path: string };
      }[];
      expect(records.filter(({ state }) => state === 'done')).toHaveLength(4);
      expect(new Set(records.map(({ image: one }) => one.path))).toEqual(new Set([image]));
      // Nothing of a client's path was opened; what was sent is the front's own.
      const senders = fs.readdirSync(join(station.folder, 'uploads'));
      expect(senders).toHaveLength(1);
    }));

  it('go on without whoever began them; are listed, joined again and cancelled', () =>
    withCard(async (station, disk) => {
      const left = await startWrite(station, disk);
      await left.seen(isWriting);
      left.child.kill('SIGKILL');
      await left.end;
      const listed = (await station.run('jobs')).lines.at(-1)?.jobs as Line[];
      expect(listed).toMatchObject([
        { id: 1, kind: 'write', node: 'orchard-02', device: disk.node, record: 1 },
      ]);
      const joined = await station.run('jobs', 'attach', '1');
      expect(joined.status, joined.stdout + joined.stderr).toBe(0);
      expect(joined.lines.some(({ phase, state }) => phase === 'seal' && state === 'end')).toBe(true);
      expect(joined.lines.at(-1)).toMatchObject({ type: 'record', id: 1, state: 'done', node: 'orchard-02' });

      // One that waits for its code.
      const socket = join(station.daemon.runtime, 'administer.sock');
      const order = await orderOf(station, disk.node);
      expect((await ask(socket, 'POST', '/v1/jobs', { body: order })).value).toEqual({ job: 2 });
      expect((await station.run('jobs', 'cancel', '2')).status).toBe(0);
      expect((await station.run('jobs')).lines.at(-1)?.jobs).toMatchObject([
        { id: 1, end: 'done' },
        { id: 2, end: 'job.cancelled', isOwn: false },
      ]);
      expect((await station.run('jobs', 'attach', '9')).status).toBe(2);
      expect((await station.run('jobs', 'attach', '2')).status).toBe(130);
      await expectFree(disk.node);
    }));

  it('belong to whoever began them; their codes work once, and their questions can be answered from elsewhere', () =>
    withCard(async (station, { node }) => {
      const socket = join(station.daemon.runtime, 'write.sock');
      const secrets = { mine: 'm'.repeat(43), theirs: 't'.repeat(43) };
      const say = (secret: string, method: string, path: string, body?: unknown) =>
        ask(socket, method, path, { secret, ...(body === undefined ? {} : { body }) });
      const codeFor = async (secret: string) => {
        const { graph, looks } = (await say(secret, 'GET', '/v1/devices')).value as {
          graph: { disks: { node: string }[] };
          looks: { code: string }[];
        };
        return looks[graph.disks.findIndex((disk) => disk.node === node)]?.code ?? '';
      };
      const endOf = (secret: string, id: number) =>
        waitFor(
          'the job to end',
          async () => {
            const { jobs } = (await say(secret, 'GET', '/v1/jobs')).value as { jobs: Line[] };
            return jobs.find((one) => one.id === id)?.end ?? null;
          },
          { timeoutMs: 60_000, everyMs: 100 },
        );
      expect((await (await startWrite(station, { node } as LoopDisk)).end).status).toBe(0);
      const verify = { kind: 'verify', device: node, recordId: null, image: null };
      const job = Number((await say(secrets.mine, 'POST', '/v1/jobs', verify)).value.job);
      for (const [method, path, body] of [
        ['GET', `/v1/jobs/${job}/lines`],
        ['POST', `/v1/jobs/${job}/cancel`],
        ['POST', `/v1/jobs/${job}/answer`, { question: 1, typed: null }],
      ] as const) {
        const answer = await say(secrets.theirs, method, path, body);
        expect(answer, path).toMatchObject({ status: 404, value: { code: 'daemon.no-such-job' } });
      }
      expect((await say(secrets.theirs, 'GET', '/v1/jobs')).value.jobs).toEqual([]);
      expect((await say(secrets.mine, 'GET', '/v1/jobs')).value.jobs).toMatchObject([
        { id: job, isOwn: true },
      ]);

      expect(await endOf(secrets.mine, job)).toBe('done');

      // A personalization needs no image: its order is small enough to be made by hand.
      const order = await orderOf(station, node);
      const run = async (secret: string, confirm: string | null) => {
        const begun = await say(secret, 'POST', '/v1/jobs', { ...order, confirm });
        expect(begun.status, JSON.stringify(begun.value)).toBe(200);
        return Number(begun.value.job);
      };
      const code = await codeFor(secrets.mine);
      expect(await endOf(secrets.theirs, await run(secrets.theirs, code))).toBe('guard.approval-wrong');
      expect(await endOf(secrets.mine, await run(secrets.mine, code))).toBe('done');
      expect(await endOf(secrets.mine, await run(secrets.mine, code))).toBe('guard.approval-wrong');

      // Asked in the job: whoever follows it sees the question, and may answer it on another connection.
      const asking = await run(secrets.mine, null);
      const question = await waitFor(
        'the question',
        async () => {
          const { jobs } = (await say(secrets.mine, 'GET', '/v1/jobs')).value as { jobs: Line[] };
          return jobs.find((one) => one.id === asking)?.standing === 'asking' ? 1 : null;
        },
        { timeoutMs: 30_000, everyMs: 100 },
      );
      const wrong = { question: question + 1, typed: 'ZZZZ' };
      expect((await say(secrets.mine, 'POST', `/v1/jobs/${asking}/answer`, wrong)).value).toEqual({
        isTaken: false,
      });
      const none = { question, typed: null };
      expect((await say(secrets.mine, 'POST', `/v1/jobs/${asking}/answer`, none)).value).toEqual({
        isTaken: true,
      });
      expect(await endOf(secrets.mine, asking)).toBe('guard.approval-missing');
    }));

  it.each([
    ['cancel', 130, 'job.cancelled'],
    ['finish', 0, undefined],
  ] as const)(
    'are told when the daemon ends, and what becomes of them by the policy: %s',
    (atStop, status, code) =>
      withCard(
        async (station, disk) => {
          const job = await startWrite(station, disk);
          await job.seen(isWriting);
          expect(await station.daemon.stop()).toBe(0);
          const end = await job.end;
          expect(end.lines.find(({ type }) => type === 'stopping')).toMatchObject({ jobs: atStop });
          expect(end.status, end.stdout + end.stderr).toBe(status);
          expect(end.lines.at(-1)?.code).toBe(code);
          await expectFree(disk.node);
        },
        { policy: `atStop: ${atStop}\n` },
      ),
  );

  it('that were cut off with the daemon are told after its next start', () =>
    withCard(async (station, disk) => {
      const job = await startWrite(station, disk);
      await job.seen(isWriting);
      process.kill(stationPid(station), 'SIGKILL');
      const end = await job.end;
      expect(end.lines.at(-1)).toMatchObject({ code: expect.stringMatching(/^daemon\./) });
      await expectFree(disk.node);
      expect((await disk.readMedium(0, mib)).every((byte) => byte === 0)).toBe(true);
      await station.daemon.stop();
      const next = await startDaemon(station.folder, station.daemonArgs);
      try {
        const { lines } = await station.run('jobs');
        expect(lines.at(-1)).toMatchObject({ jobs: [], interrupted: [{ id: 1, state: 'interrupted' }] });
      } finally {
        await next.stop();
      }
    }));
});

/** The order of a personalization, from a plan of the station's own. */
async function orderOf(station: DaemonStation, device: string): Promise<Line> {
  const { plan } = await readPlan(station.plan);
  const [node] = plan.nodes;
  if (!node) throw new Error('no node');
  const about = { device, mayUnmount: false, confirm: null, hold: false };
  return {
    kind: 'personalize',
    ...about,
    node: gatherNode({ plan, node, materials: materialsOnDisk }, false),
  };
}
