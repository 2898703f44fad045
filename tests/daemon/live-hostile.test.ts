/**
 * Clients that mean no good, or know no better, against a running daemon: everything is refused in bounded time and
 * memory, nothing reaches a card, nothing is left open, and the next honest client is served.
 */

import { createHash } from 'node:crypto';
import { connect } from 'node:net';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { readPlan } from '../../src/batch/plan/read-plan.ts';
import { gatherNode } from '../../src/cli/remote/job-orders.ts';
import { catalogue } from '../../src/contract/catalogue/index.ts';
import { inspectImage } from '../../src/image/inspect-image.ts';
import { materialsOnDisk } from '../../src/job/station/materials-on-disk.ts';
import { makeOrchard } from '../e2e/make-orchard.ts';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { waitFor } from '../lab/processes.ts';
import { type Answered, ask, type DaemonStation, withDaemon } from './daemon-process.ts';
import { hostileRequests } from './hostile-requests.ts';
import { wrongOrders } from './order-mutations.ts';
import { heldBy, partsOf } from './parts-of-daemon.ts';
import { sendRaw } from './raw-request.ts';

const mib = 2 ** 20;
const boundMs = 10_000;
type Line = Record<string, unknown>;

describeWith(['loop', 'tmpfs-direct-io'], 'hostile clients of the daemon', { timeoutMs: 300_000 }, () => {
  let end: () => void = () => undefined;
  let served: Promise<void>;
  let station: DaemonStation;
  let disk: LoopDisk;
  let untouched: string;
  let cases = 0;
  beforeAll(async () => {
    await new Promise<void>((resolve, reject) => {
      served = withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (made) =>
        withDaemon([made.node], makeOrchard, async (opened) => {
          station = opened;
          disk = made;
          resolve();
          await new Promise<void>((leave) => {
            end = leave;
          });
        }),
      );
      served.catch(reject);
    });
    untouched = await digest();
    // What is loaded at the first request is not what somebody left behind.
    await honest();
  }, 120_000);
  afterAll(async () => {
    end();
    await served;
  }, 60_000);

  const digest = async () =>
    createHash('sha256')
      .update(await disk.readMedium(0, 64 * mib))
      .digest('hex');
  const on = (right: 'look' | 'write' | 'administer') => join(station.daemon.runtime, `${right}.sock`);
  const say = (secret: string, method: string, path: string, body?: unknown) =>
    ask(on('write'), method, path, { secret, ...(body === undefined ? {} : { body }) });
  const [mine, theirs] = ['m'.repeat(43), 't'.repeat(43)] as const;

  async function honest(): Promise<void> {
    const { status, value } = await ask(on('write'), 'GET', '/v1/devices');
    expect(status).toBe(200);
    const { disks } = value.graph as { disks: { node: string }[] };
    expect(disks.some(({ node }) => node === disk.node)).toBe(true);
  }

  /** Refused with a code of ours, as it should be. */
  function expectCoded({ status, value }: Answered, what: string, code?: string): void {
    cases++;
    expect(status, `${what}: ${JSON.stringify(value).slice(0, 300)}`).toBeGreaterThanOrEqual(400);
    expect(Object.keys(catalogue), what).toContain(value.code);
    if (code !== undefined) expect(value.code, `${what}: ${JSON.stringify(value)}`).toBe(code);
  }

  async function withNothingLeft(body: () => Promise<void>): Promise<void> {
    const pids = partsOf(station);
    const look = () => ({ front: heldBy(pids.front), station: heldBy(pids.station) });
    const before = look();
    await body();
    await honest();
    const isClosed = (part: 'front' | 'station') => {
      const { descriptors, children } = look()[part];
      return children === 0 && descriptors <= before[part].descriptors + 1;
    };
    await waitFor(
      'all that was opened to be closed',
      () => (isClosed('front') && isClosed('station')) || null,
      { timeoutMs: 20_000, everyMs: 200 },
    );
    for (const part of ['front', 'station'] as const) {
      expect(look()[part].residentKiB - before[part].residentKiB, part).toBeLessThan(160 * 1024);
    }
    expect(await digest()).toBe(untouched);
    await waitFor(
      'all jobs to end',
      async () => {
        const { jobs } = (await ask(on('administer'), 'GET', '/v1/jobs')).value as { jobs: Line[] };
        return jobs.every(({ standing }) => standing === 'ended') || null;
      },
      { timeoutMs: 60_000, everyMs: 200 },
    );
  }

  it('who send what is no request, or one that nobody may make', () =>
    withNothingLeft(async () => {
      for (const { name, bytes, right, ends } of hostileRequests) {
        const answer = await sendRaw(on('write'), bytes, { ends });
        cases++;
        expect(right, `${name}: ${answer.text.slice(0, 300)}`).toContain(answer.status);
        expect(answer.elapsedMs, name).toBeLessThan(boundMs);
      }
    }));

  it('who send orders with one thing wrong', () =>
    withNothingLeft(async () => {
      const { plan } = await readPlan(station.plan);
      const [node] = plan.nodes;
      if (!node) throw new Error('no node');
      const sent = gatherNode({ plan, node, materials: materialsOnDisk }, false);
      const taking = { device: disk.node, mayUnmount: false, confirm: 'ZZZZ', hold: false };
      const { root: _loose, ...facts } = await inspectImage(station.image, {
        decode: 'when-needed',
        signal: new AbortController().signal,
      });
      const upload = '0'.repeat(64);
      const image = { upload, facts, expectedSha256: null, wish: null };
      const orders = [
        { kind: 'personalize', ...taking, node: sent },
        { kind: 'write', ...taking, image, node: null },
        { kind: 'verify', device: disk.node, recordId: null, image: null },
      ];
      for (const order of orders) {
        for (const { what, order: wrong } of wrongOrders(order)) {
          // Some places may be empty: null is right there, another type is not.
          expectCoded(
            await say(mine, 'POST', '/v1/jobs', wrong),
            `${order.kind}: ${what}`,
            'daemon.bad-request',
          );
        }
      }
    }));

  it('who ask for more than their socket allows, and for what is somebody else’s', () =>
    withNothingLeft(async () => {
      const verify = { kind: 'verify', device: disk.node, recordId: null, image: null };
      const wanted: [string, string, unknown?][] = [
        ['GET', '/v1/jobs'],
        ['POST', '/v1/jobs', verify],
        ['GET', '/v1/jobs/1/lines'],
        ['POST', '/v1/jobs/1/cancel'],
        ['POST', '/v1/jobs/1/answer', { question: 1, typed: null }],
        ['GET', '/v1/uploads'],
        ['POST', '/v1/uploads', { sha256: '0'.repeat(64), sizeBytes: 1 }],
        ['DELETE', `/v1/uploads/${'0'.repeat(64)}`],
      ];
      for (const [method, path, body] of wanted) {
        const options = body === undefined ? {} : { body };
        expectCoded(await ask(on('look'), method, path, options), path, 'daemon.not-allowed');
      }
      const { job } = (await say(mine, 'POST', '/v1/jobs', verify)).value;
      for (const [method, path, body] of [
        ['GET', `/v1/jobs/${job}/lines`],
        ['POST', `/v1/jobs/${job}/cancel`],
        ['POST', `/v1/jobs/${job}/answer`, { question: 1, typed: 'ZZZZ' }],
      ] as const) {
        expectCoded(await say(theirs, method, path, body), path, 'daemon.no-such-job');
      }
    }));

  it('who trick with uploads', () =>
    withNothingLeft(async () => {
      const bytes = Buffer.from('an image of a few bytes');
      const sha256 = createHash('sha256').update(bytes).digest('hex');
      const piece = (secret: string, offset: number, raw: Buffer, of = sha256) =>
        ask(on('write'), 'PATCH', `/v1/uploads/${of}?offset=${offset}`, {
          secret,
          raw,
          headers: { 'content-type': 'application/octet-stream' },
        });
      expectCoded(await piece(mine, 0, bytes), 'never begun', 'daemon.no-such-upload');
      for (const sizeBytes of [0, -1, 1.5, 2 ** 60, '1', null]) {
        expectCoded(await say(mine, 'POST', '/v1/uploads', { sha256, sizeBytes }), `${sizeBytes} bytes`);
      }
      for (const wrong of ['', 'x', '../../etc/passwd', sha256.toUpperCase(), `${sha256}0`]) {
        expectCoded(
          await say(mine, 'POST', '/v1/uploads', { sha256: wrong, sizeBytes: 1 }),
          `digest ${wrong}`,
        );
      }
      const begun = await say(mine, 'POST', '/v1/uploads', { sha256, sizeBytes: bytes.length });
      expect(begun.value).toMatchObject({ receivedBytes: 0, isComplete: false });
      expectCoded(await piece(theirs, 0, bytes), 'somebody else’s', 'daemon.no-such-upload');
      expectCoded(await piece(mine, 5, bytes), 'past the next byte', 'daemon.upload-refused');
      expectCoded(await piece(mine, 0, Buffer.alloc(bytes.length + 1)), 'too much', 'daemon.upload-refused');
      // Refused with a code, or hung up on while the rest of it is still on its way.
      const huge = await piece(mine, 0, Buffer.alloc(5 * mib)).catch(
        (error: NodeJS.ErrnoException) => error.code,
      );
      if (typeof huge === 'object') expectCoded(huge, 'a piece past all bounds', 'daemon.bad-request');
      else expect(huge).toBe('EPIPE');
      expectCoded(await piece(mine, 0, Buffer.alloc(0)), 'no bytes', 'daemon.bad-request');
      expectCoded(
        await say(mine, 'POST', '/v1/uploads', { sha256, sizeBytes: 9 }),
        'another size',
        'daemon.upload-refused',
      );
      // Both at once: one of them is told that it is not the next.
      const both = await Promise.all([
        piece(mine, 0, bytes.subarray(0, 9)),
        piece(mine, 0, bytes.subarray(0, 9)),
      ]);
      expect(both.map(({ status }) => status).sort()).toEqual([200, 409]);
      expectCoded(
        await piece(mine, 9, Buffer.alloc(bytes.length - 9)),
        'another digest',
        'daemon.upload-refused',
      );
      const { uploads } = (await say(mine, 'GET', '/v1/uploads')).value;
      expect(uploads).toEqual([]);
      for (let at = 0; at < 12; at++) {
        const one = { sha256: createHash('sha256').update(`${at}`).digest('hex'), sizeBytes: 1 };
        const answer = await say(mine, 'POST', '/v1/uploads', one);
        if (at < 8) expect(answer.status).toBe(200);
        else expectCoded(answer, `${at} images`, 'daemon.busy');
      }
      for (let at = 0; at < 8; at++) {
        const sha = createHash('sha256').update(`${at}`).digest('hex');
        expectCoded(await say(theirs, 'DELETE', `/v1/uploads/${sha}`), 'not theirs', 'daemon.no-such-upload');
        expect((await say(mine, 'DELETE', `/v1/uploads/${sha}`)).status).toBe(200);
      }
    }));

  it('who come many at once, slowly or to cancel', () =>
    withNothingLeft(async () => {
      const slow = Array.from({ length: 60 }, (_, at) => {
        const socket = connect(on('write'));
        socket.on('error', () => undefined);
        socket.write(
          at % 2 === 0
            ? 'GET /v1/dev'
            : 'POST /v1/identify HTTP/1.1\r\nHost: a\r\nContent-Length: 9\r\n\r\n{',
        );
        cases++;
        return socket;
      });
      const begun = Date.now();
      await honest();
      expect(Date.now() - begun).toBeLessThan(boundMs);
      const verify = { kind: 'verify', device: disk.node, recordId: null, image: null };
      const starts = await Promise.all(
        Array.from({ length: 30 }, () => say(mine, 'POST', '/v1/jobs', verify)),
      );
      for (const start of starts.filter(({ status }) => status !== 200))
        expectCoded(start, 'too many', 'daemon.busy');
      const ids = starts.filter(({ status }) => status === 200).map(({ value }) => value.job);
      expect(ids.length).toBeLessThanOrEqual(8);
      const storms = ids.flatMap((id) =>
        Array.from({ length: 12 }, () => say(mine, 'POST', `/v1/jobs/${id}/cancel`)),
      );
      for (const { status } of await Promise.all(storms)) expect(status).toBe(200);
      await waitFor(
        'the jobs to end',
        async () => {
          const { jobs } = (await say(mine, 'GET', '/v1/jobs')).value as { jobs: Line[] };
          return jobs.every(({ standing }) => standing === 'ended') || null;
        },
        { timeoutMs: 60_000, everyMs: 200 },
      );
      for (const socket of slow) socket.destroy();
    }));

  it('who get at the station’s own socket', () =>
    withNothingLeft(async () => {
      const socket = `${station.daemon.runtime}-station/station.sock`;
      const caller = '0'.repeat(64);
      const call = (more: object) =>
        `${JSON.stringify({ call: 'jobs', right: 'write', caller, order: {}, ...more })}\n`;
      const wrong: [string, string | Buffer][] = [
        ['no JSON', '{\n'],
        ['no line', 'x'.repeat(1000)],
        ['an array', '[]\n'],
        ['binary', Buffer.from([0, 255, 254, 10])],
        ['a line past all bounds', Buffer.alloc(26 * mib, 'x')],
        ['an unknown call', call({ call: 'mount' })],
        ['a call of the language’s own', call({ call: 'constructor' })],
        ['a call of the language’s own, too', call({ call: '__proto__' })],
        ['an unknown right', call({ right: 'root' })],
        ['no caller', call({ caller: 'me' })],
        ['more than a call', call({ more: 1 })],
        ['an order of another shape', call({ call: 'record', order: { id: '1' } })],
        ['a right that is too small', call({ right: 'look' })],
        ['a device that is none', call({ call: 'identify', order: { device: '../../etc/shadow\n' } })],
      ];
      for (const [what, bytes] of wrong) {
        const { text, elapsedMs } = await sendRaw(socket, bytes);
        cases++;
        expect(elapsedMs, what).toBeLessThan(boundMs);
        expect(text, what).toMatch(/^(?:\{"error":\{"code":"(?:daemon|devices|usage)\..*\n)?$/);
      }
    }));

  it('who write to one disk at once: one after the other, or one alone', async () => {
    const write = async (secret: string) => {
      const { graph, looks } = (await say(secret, 'GET', '/v1/devices')).value as {
        graph: { disks: { node: string }[] };
        looks: { code: string }[];
      };
      return looks[graph.disks.findIndex(({ node }) => node === disk.node)]?.code ?? '';
    };
    // A card of ours first: its orders need no image then.
    const words = [
      '--plan',
      station.plan,
      '--node',
      'orchard-01',
      '--confirm',
      await station.codeOf(disk.node),
    ];
    expect((await station.run('write', station.image, disk.node, ...words)).status).toBe(0);
    const { plan } = await readPlan(station.plan);
    const begin = async (secret: string, at: number) => {
      const node = plan.nodes[at];
      if (!node) throw new Error('no node');
      const sent = gatherNode({ plan, node, materials: materialsOnDisk }, false);
      const taking = { device: disk.node, mayUnmount: false, confirm: await write(secret), hold: false };
      return { secret, order: { kind: 'personalize', ...taking, node: sent } };
    };
    const both = [await begin(mine, 1), await begin(theirs, 2)];
    const ids = await Promise.all(
      both.map(async ({ secret, order }) => Number((await say(secret, 'POST', '/v1/jobs', order)).value.job)),
    );
    const ends = await waitFor(
      'both to end',
      async () => {
        const { jobs } = (await ask(on('administer'), 'GET', '/v1/jobs')).value as { jobs: Line[] };
        const own = ids.map((id) => jobs.find((one) => one.id === id)?.end ?? null);
        return own.includes(null) ? null : own;
      },
      { timeoutMs: 60_000, everyMs: 100 },
    );
    cases += 2;
    // Whoever comes second is refused, or waited until the first had ended: never both at a time.
    const right =
      /^(?:done|job\.(?:card-busy|disk-refused|identity-changed)|guard\.approval-wrong|media\.\w+)$/;
    for (const one of ends) expect(one).toMatch(right);
    const { records } = (await say(mine, 'GET', '/v1/records')).value as { records: Line[] };
    const last = records.find(({ state }) => state === 'done');
    expect(ends).toContain('done');
    const verified = await station.run('verify', disk.node);
    expect(verified.lines.at(-1)).toMatchObject({ verdict: 'good', node: last?.node, record: last?.id });
    recordFigure('hostile inputs', cases, 'requests to the daemon');
    expect(cases).toBeGreaterThanOrEqual(200);
    process.stderr.write(`hostile: ${cases} requests\n`);
  });
});
