/**
 * SIGKILL at every request of a job, to its supervisor, its worker, or both: once while the card is at that request,
 * and once a seeded moment after it. Whatever was killed: nothing is left behind, the record tells the truth about
 * the medium, and the same job again ends "done".
 */
import { setTimeout as sleep } from 'node:timers/promises';
import { beforeAll, expect, it } from 'vitest';
import type { Phase } from '../../src/contract/job.ts';
import { openRecords } from '../../src/records/open-records.ts';
import type { RecordView } from '../../src/records/record-types.ts';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { seededOffset } from '../lab/fault-disk/fault.ts';
import { type FaultDisk, withFaultDisk } from '../lab/fault-disk/fault-disk.ts';
import { oldContent } from '../lab/medium.ts';
import { waitFor } from '../lab/processes.ts';
import { type JobKit, runJobOn, withJobKit } from './job-on-disk.ts';
import { bundleJob, type JobProcess, startJobProcess, type Victim } from './killed-job.ts';
import {
  cardBytes,
  expectFree,
  expectHonestSuccess,
  expectImageOn,
  headIsZero,
  makeUsed,
} from './lying-media.ts';
import { usualShape } from './small-image.ts';

type Op = 'read' | 'write' | 'flush';

/** Another seed gives other victims and other moments after the requests. */
const firstSeed = Number(process.env.KILL_SWEEP_SEED ?? 1);
const mostRequests = 200;
const victims: Victim[] = ['supervisor', 'worker', 'both'];

interface Moment {
  op: Op;
  nth: number;
  victim: Victim;
  /** null: while the card is at the request; else so long after it */
  laterMs: number | null;
}

const wordsOf = ({ op, nth, victim, laterMs }: Moment) =>
  `${victim} killed ${laterMs === null ? 'in' : `${laterMs} ms after`} ${op} ${nth}`;

function momentAt(op: Op, nth: number, seed: number, isAfter: boolean): Moment {
  const victim = victims[(seededOffset(seed * 1000 + nth, 3, 1) + nth) % 3] ?? 'both';
  return { op, nth, victim, laterMs: isAfter ? seededOffset(seed * 7000 + nth, 25, 1) : null };
}

const told = ({ events }: JobProcess, phase: Phase, state: 'begin' | 'end') =>
  events.some((event) => event.type === 'phase' && event.phase === phase && event.state === state);

/** The newest record after a certain one. */
function recordAfter(kit: JobKit, id: number): RecordView | null {
  const store = openRecords(kit.recordsPath, { now: Date.now });
  try {
    const [newest] = store.listRecords({ limit: 1 });
    return newest && newest.id > id ? newest : null;
  } finally {
    store.close();
  }
}

interface SweepPlace {
  program: string;
  kit: JobKit;
  disk: FaultDisk;
}

/** The record against the medium, and against what the job had told before it was killed. */
async function expectTruth(
  job: JobProcess,
  { disk, kit }: SweepPlace,
  record: RecordView | null,
  moment: Moment,
): Promise<void> {
  const why = wordsOf(moment);
  const isOld = async () => (await disk.readMedium(0, cardBytes)).equals(oldContent(0, cardBytes));
  if (record === null) {
    // Killed before there was a record: then nothing was written either.
    expect(told(job, 'hand-over', 'begin'), why).toBe(false);
    expect(await isOld(), why).toBe(true);
    return;
  }
  const { state, cardState } = record;
  const expected = moment.victim === 'worker' ? ['failed'] : ['interrupted', 'unconfirmed'];
  // The blow may come after the last word.
  if (job.endLine()?.code === null || (state === 'done' && told(job, 'seal', 'begin'))) expected.push('done');
  expect(expected, `${why}: the record says ${state}`).toContain(state);
  if (state === 'done') await expectImageOn(disk, kit, record, why);
  if (state === 'failed') expect(job.endLine(), why).toMatchObject({ code: record.code, card: cardState });
  if (state === 'unconfirmed') expect(told(job, 'seal', 'begin'), why).toBe(true);
  if (told(job, 'head-off', 'end') && !told(job, 'seal', 'begin')) expect(cardState, why).toBe('unbootable');
  if (cardState === 'untouched') expect(await isOld(), `${why}: touched`).toBe(true);
  if (cardState === 'unbootable') expect(await headIsZero(disk), `${why}: the head is not zero`).toBe(true);
  if (cardState === 'unknown') expect(told(job, 'head-off', 'end'), why).toBe(false);
}

/** Gives the phase that was cut off; null when the job had fewer requests than that. */
async function killAt(place: SweepPlace, moment: Moment): Promise<Phase | 'start' | null> {
  const { program, kit, disk } = place;
  const lastId = recordAfter(kit, 0)?.id ?? 0;
  makeUsed(disk);
  disk.setFaults([{ kind: 'stall', op: moment.op, nth: moment.nth, forMs: 120_000 }]);
  const job = startJobProcess(program, kit.folder, disk);
  await waitFor(wordsOf(moment), () => disk.isStalled() || job.hasEnded(), { timeoutMs: 60_000, everyMs: 5 });
  if (job.hasEnded()) {
    await job.ended;
    expect(job.endLine(), wordsOf(moment)).toMatchObject({ code: null });
    disk.setFaults([]);
    return null;
  }
  if (moment.laterMs === null) {
    const killed = job.kill(moment.victim);
    // A process whose request is at the card ends when the card lets go.
    disk.setFaults([]);
    await killed;
  } else {
    disk.setFaults([]);
    await sleep(moment.laterMs);
    await job.kill(moment.victim);
  }
  await expectFree(disk.node);
  await expectTruth(job, place, recordAfter(kit, lastId), moment);
  const phase = job.events.findLast((event) => event.type === 'phase');
  return phase?.type === 'phase' ? phase.phase : 'start';
}

/** Every request of one kind after another; gives the phases that were cut off. */
async function sweep(place: SweepPlace, op: Op, seed: number, isAfter: boolean): Promise<string[]> {
  const phases: string[] = [];
  for (let nth = 1; nth <= mostRequests; nth++) {
    const moment = momentAt(op, nth, seed, isAfter);
    const phase = await killAt(place, moment);
    if (phase === null) return phases;
    phases.push(phase);
    const again = await runJobOn(place.disk, place.kit);
    await expectHonestSuccess(again, place.disk, place.kit, `again after ${wordsOf(moment)}`);
  }
  throw new Error(`the sweep over ${op} did not end`);
}

describeWith(['fault-disk'], 'a job that is killed', { timeoutMs: 900_000 }, () => {
  let program = '';
  beforeAll(async () => {
    program = await bundleJob();
  });

  it('leaves nothing behind, tells the truth about the card, and ends "done" when it is run again', async () => {
    process.stderr.write(`killed jobs: KILL_SWEEP_SEED=${firstSeed}\n`);
    const lane = (isAfter: boolean) =>
      withJobKit(usualShape, (kit) =>
        withFaultDisk({ sizeBytes: cardBytes }, async (disk) => {
          const phases: string[] = [];
          for (const op of ['read', 'write', 'flush'] as const)
            phases.push(...(await sweep({ program, kit, disk }, op, firstSeed, isAfter)));
          return phases;
        }),
      );
    const phases = (await Promise.all([lane(false), lane(true)])).flat();
    expect(phases.length, `seed ${firstSeed}`).toBeGreaterThanOrEqual(100);
    for (const phase of ['head-off', 'probe', 'write', 'personalize', 'verify', 'seal'])
      expect(phases).toContain(phase);
    recordFigure('kill points', phases.length, 'writing a card');
    recordFigure('kill points with a false end', 0, 'writing a card');
  });
});
