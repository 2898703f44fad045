/**
 * Media that stop for a while, slow down, or are torn out. A stall and a slow card are no fault of the card: they are
 * said, and the job goes on; a card that is gone is never judged.
 */
import { expect, it } from 'vitest';
import type { JobEvent } from '../../src/contract/events.ts';
import type { Phase } from '../../src/contract/job.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type Fault, seededOffset } from '../lab/fault-disk/fault.ts';
import { type FaultDisk, withFaultDisk } from '../lab/fault-disk/fault-disk.ts';
import { type JobEnd, type JobKit, runJobOn, withJobKit } from './job-on-disk.ts';
import {
  cardBytes,
  expectFree,
  expectHonestFailure,
  expectHonestSuccess,
  headIsZero,
  mib,
} from './lying-media.ts';
import { usualShape } from './small-image.ts';

/** Sets faults as soon as a phase begins: the next request of the job is its first there. */
const whenBegun = (disk: FaultDisk, phase: Phase, faults: Fault[]) => (event: JobEvent) => {
  if (event.type === 'phase' && event.phase === phase && event.state === 'begin') disk.setFaults(faults);
};

type Op = 'read' | 'write' | 'flush';

/** One request in each phase that touches the card, of each kind that can be slow there. */
const slowMoments: [Phase, Op][] = [
  ['head-off', 'write'],
  ['head-off', 'flush'],
  ['probe', 'write'],
  ['write', 'write'],
  // In the midst of the file-system library, which waits for its reads.
  ['personalize', 'read'],
  ['verify', 'flush'],
  ['verify', 'read'],
  ['seal', 'flush'],
];

/** Where a card is torn out: the n-th request of the job, or a place in the image. */
const tornOut: Fault[] = [
  ...([1, 3, 9, 14, 20] as const).map((nth): Fault => ({ kind: 'vanish', op: 'write', nth })),
  ...[1, 2, 3].map(
    (seed): Fault => ({ kind: 'vanish', op: 'write', offset: mib + seededOffset(seed, 4 * mib) }),
  ),
  ...([2, 6, 16, 20] as const).map((nth): Fault => ({ kind: 'vanish', op: 'read', nth })),
  ...[4, 5].map((seed): Fault => ({ kind: 'vanish', op: 'read', offset: mib + seededOffset(seed, 4 * mib) })),
  ...([1, 3, 5] as const).map((nth): Fault => ({ kind: 'vanish', op: 'flush', nth })),
];

function inPairs<T, R>(cases: readonly T[], work: (one: T) => Promise<R>): Promise<R[]> {
  const results: Promise<R>[] = [];
  const lane = async (from: number) => {
    for (let at = from; at < cases.length; at += 2) {
      const result = work(cases[at] as T);
      results[at] = result;
      await result;
    }
  };
  return Promise.all([lane(0), lane(1)]).then(() => Promise.all(results));
}

describeWith(['fault-disk'], 'a medium that stops, slows down or goes', { timeoutMs: 300_000 }, () => {
  it('a stall of six seconds is said in every phase and every kind of request, and the job then ends well', () =>
    withJobKit(usualShape, async (kit) => {
      const stalled = async ([phase, op]: [Phase, Op]) =>
        withFaultDisk({ sizeBytes: cardBytes }, async (disk) => {
          const why = `${op} in ${phase}`;
          const onEvent = whenBegun(disk, phase, [{ kind: 'stall', op, nth: 1, forMs: 6500 }]);
          const end = await runJobOn(disk, kit, { onEvent });
          await expectHonestSuccess(end, disk, kit, why);
          const stalls = end.events.filter((event) => event.type === 'stall');
          expect(stalls, why).toMatchObject([{ phase, seconds: expect.any(Number) }]);
          expect((stalls[0] as { seconds: number }).seconds, why).toBeGreaterThanOrEqual(5);
          // Its end: the job goes on in that phase and tells that the phase is over, after the stall and not before.
          const isOver = (event: JobEvent) =>
            event.type === 'phase' && event.phase === phase && event.state === 'end';
          expect(end.events.findIndex(isOver), why).toBeGreaterThan(
            end.events.indexOf(stalls[0] as JobEvent),
          );
          expect(end.elapsedMs, why).toBeGreaterThan(6000);
        });
      await Promise.all(slowMoments.map(stalled));
    }));

  it('a card that falls off a cliff is slow and nothing else', () =>
    withJobKit(usualShape, (kit) =>
      withFaultDisk({ sizeBytes: cardBytes }, async (disk) => {
        disk.setFaults([{ kind: 'cliff', afterBytes: 3 * mib, bytesPerSecond: 2 * mib }]);
        disk.clearRequests();
        const told = { write: 0, verify: 0 };
        const onEvent = (event: JobEvent) => {
          if (event.type !== 'progress' || !(event.phase === 'write' || event.phase === 'verify')) return;
          told[event.phase] = event.doneBytes;
          // Never more than the medium has served, counted there.
          const served = disk.requests()[event.phase === 'write' ? 'write' : 'read'].bytes;
          expect(served, `${event.phase}: ${event.doneBytes} told`).toBeGreaterThanOrEqual(event.doneBytes);
        };
        const end = await runJobOn(disk, kit, { onEvent });
        await expectHonestSuccess(end, disk, kit, 'cliff');
        expect(told.write).toBeGreaterThanOrEqual(kit.imageBytes - mib);
        expect(told.verify).toBeGreaterThanOrEqual(kit.imageBytes - mib);
        expect(end.elapsedMs).toBeGreaterThan(1500);
        expect(end.events.filter((event) => event.type === 'stall')).toEqual([]);
      }),
    ));

  // The node of a loop device stays when its medium goes and answers EIO or EINVAL, as a bad sector might: only a node
  // that says so itself (ENXIO, ENODEV, ENOMEDIUM, another diskseq) makes "card lost" and exit 7.
  it('a card that is torn out ends as a failed transfer, and is not judged: it does not answer any more', () =>
    withJobKit(usualShape, async (kit) => {
      const run = async (fault: Fault): Promise<JobEnd> =>
        withFaultDisk({ sizeBytes: cardBytes }, async (disk) => {
          disk.setFaults([fault]);
          const end = await runJobOn(disk, kit);
          await expectTorn(end, disk, kit, JSON.stringify(fault));
          return end;
        });
      const ends = await inPairs(tornOut, run);
      const met = new Set(ends.map(({ error }) => error?.facts.phase));
      for (const phase of ['head-off', 'probe', 'write', 'verify']) expect([...met]).toContain(phase);
    }));

  it('a card that is torn out between the sealed head and its first sector: "unconfirmed", and it does not boot', () =>
    withJobKit(usualShape, (kit) =>
      withFaultDisk({ sizeBytes: cardBytes }, async (disk) => {
        const end = await runJobOn(disk, kit, {
          onEvent: whenBegun(disk, 'seal', [{ kind: 'vanish', op: 'write', offset: 0 }]),
        });
        await expectHonestFailure(end, disk, 'in the seal');
        expect(end.error).toMatchObject({ code: 'media.write-failed', card: 'unconfirmed', exitStatus: 5 });
        expect((await disk.readMedium(0, 512)).every((byte) => byte === 0)).toBe(true);
      }),
    ));
});

async function expectTorn(end: JobEnd, disk: FaultDisk, kit: JobKit, why: string): Promise<void> {
  expect(disk.requests().list.at(-1)?.outcome, why).toBe('vanished');
  await expectHonestFailure(end, disk, why);
  await expectFree(disk.node);
  const { code, exitStatus, card, facts } = end.error ?? {};
  expect(['media.write-failed', 'media.read-failed', 'media.flush-failed'], why).toContain(code);
  expect(exitStatus, why).toBe(code === 'media.read-failed' ? 6 : 5);
  expect(facts?.errno, why).toMatch(/^(EIO|EINVAL)$/);
  expect(card, why).toBe(facts?.phase === 'seal' ? 'unconfirmed' : 'unknown');
  // Though nothing is said of it, what is stored on a card torn out after its head came off does not boot.
  if (facts?.phase !== 'head-off' && facts?.phase !== 'seal') expect(await headIsZero(disk), why).toBe(true);
  expect(kit.imageBytes).toBeLessThan(disk.sizeBytes);
}
