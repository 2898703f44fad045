/**
 * One request fails, then the next one in another job, until a job runs through without meeting the fault: every
 * read, write and flush of a whole job, once and for good (facts of the fault matrix: "k-th I/O fails, k = 1 to the
 * end, once and persistent"; the way of sqlite.org/testing.html, section 3.2).
 */
import { expect, it } from 'vitest';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type FaultDisk, withFaultDisk } from '../lab/fault-disk/fault-disk.ts';
import { type JobEnd, type JobKit, runJobOn, withJobKit } from './job-on-disk.ts';
import {
  cardBytes,
  expectFree,
  expectHonestFailure,
  expectHonestSuccess,
  headIsZero,
  makeUsed,
} from './lying-media.ts';
import { usualShape } from './small-image.ts';

type Op = 'read' | 'write' | 'flush';
type Times = 'once' | 'always';

const codeOf = {
  read: 'media.read-failed',
  write: 'media.write-failed',
  flush: 'media.flush-failed',
} as const;
const exitOf = { read: 6, write: 5, flush: 5 };
/** No job of these sizes has more; a sweep that reaches it never met its end. */
const mostRequests = 200;

async function runWithFault(disk: FaultDisk, kit: JobKit, op: Op, times: Times, nth: number) {
  makeUsed(disk);
  disk.clearRequests();
  disk.setFaults([{ kind: 'fail-request', op, nth, times }]);
  const end = await runJobOn(disk, kit);
  const requests = disk.requests();
  disk.setFaults([]);
  return { end, requests, fired: requests[op].failed > 0 };
}

/** What has to follow from one failed request, by where it was met. */
async function expectEnd(end: JobEnd, disk: FaultDisk, op: Op, times: Times, why: string): Promise<void> {
  await expectHonestFailure(end, disk, why);
  expect(end.error?.code, why).toBe(codeOf[op]);
  expect(end.error?.exitStatus, why).toBe(exitOf[op]);
  expect(end.error?.facts.errno, why).toBe('EIO');
  const expected = async () => {
    if (end.error?.facts.phase === 'seal') return 'unconfirmed';
    // A card that no longer answers is not judged; nor is one whose head did not go.
    return (op === 'read' && times === 'always') || !(await headIsZero(disk)) ? 'unknown' : 'unbootable';
  };
  expect(end.error?.card, why).toBe(await expected());
}

/** The place that was named is the one that failed. */
function expectPlace(end: JobEnd, requests: ReturnType<FaultDisk['requests']>, op: Op, why: string): void {
  const failed = requests.list.filter((request) => request.op === op && request.outcome === 'EIO');
  const offset = Number(end.error?.facts.offset);
  const length = Number(end.error?.facts.length);
  const isThere = failed.some((request) => request.offset >= offset && request.offset <= offset + length);
  expect(isThere, `${why}: named ${offset}+${length}`).toBe(true);
}

/** Runs a sweep on a disk of its own; gives how many faults were met. */
function sweep(kit: JobKit, op: Op, times: Times): Promise<number> {
  return withFaultDisk({ sizeBytes: cardBytes }, async (disk) => {
    let met = 0;
    for (let nth = 1; nth <= mostRequests; nth++) {
      const why = `${op} ${nth} ${times}`;
      // A program of somebody else's that looks at a new disk may take a fault that is there once: then again.
      for (let attempt = 1; ; attempt++) {
        const { end, requests, fired } = await runWithFault(disk, kit, op, times, nth);
        await expectFree(disk.node);
        if (!fired) {
          await expectHonestSuccess(end, disk, kit, why);
          return met;
        }
        if (end.outcome && times === 'once' && attempt < 4) {
          // Nothing of the job's own can have been lost then.
          await expectHonestSuccess(end, disk, kit, why);
          continue;
        }
        await expectEnd(end, disk, op, times, why);
        expectPlace(end, requests, op, why);
        met++;
        break;
      }
    }
    throw new Error(`the sweep over ${op} ${times} did not end`);
  });
}

describeWith(['fault-disk'], 'a job one of whose requests fails', { timeoutMs: 600_000 }, () => {
  it.each(['read', 'write', 'flush'] as const)(
    'ends "not done" at every %s, once and for good, with the place, the right exit status and a true state',
    (op) =>
      withJobKit(usualShape, async (kit) => {
        const [once, always] = await Promise.all([sweep(kit, op, 'once'), sweep(kit, op, 'always')]);
        const least = { read: 20, write: 20, flush: 7 };
        expect(Math.min(once, always)).toBeGreaterThanOrEqual(least[op]);
        recordFigure('faults injected', once + always, `failed ${op} requests`);
        recordFigure('faults caught', once + always, `failed ${op} requests`);
      }),
  );

  it('that is only the flush of the seal: everything else was proven, so "unconfirmed"', () =>
    withJobKit(usualShape, (kit) =>
      withFaultDisk({ sizeBytes: cardBytes }, async (disk) => {
        const failFlush = (nth: number) => (event: { type: string; phase?: string; state?: string }) => {
          if (event.type === 'phase' && event.phase === 'seal' && event.state === 'begin')
            disk.setFaults([{ kind: 'fail-request', op: 'flush', nth, times: 'always' }]);
        };
        for (const nth of [1, 2]) {
          makeUsed(disk);
          disk.setFaults([]);
          const end = await runJobOn(disk, kit, { onEvent: failFlush(nth) });
          await expectHonestFailure(end, disk, `flush ${nth} of the seal`);
          expect(end.error).toMatchObject({ code: 'media.flush-failed', card: 'unconfirmed', exitStatus: 5 });
          // The sector that makes it bootable goes out only after the rest was flushed and read back.
          const signature = (await disk.readMedium(510, 2)).readUInt16BE(0);
          expect(signature).toBe(nth === 1 ? 0 : 0x55aa);
        }
      }),
    ));
});
