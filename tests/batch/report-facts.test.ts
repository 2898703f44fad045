import { join } from 'node:path';
import * as fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { rateSteps, reportFacts } from '../../src/batch/report/report-facts.ts';
import type { RecordsExport } from '../../src/records/record-types.ts';
import { openSample, orchardJob } from '../records/sample.ts';
import { useWorkFolder } from '../records/work-folder.ts';
import { makeSampleBatch } from './sample-batch.ts';

const workFolder = useWorkFolder();

function sampleBatch(after?: (records: ReturnType<typeof openSample>) => void): RecordsExport {
  const path = join(workFolder(), 'records.db');
  makeSampleBatch(path);
  const records = openSample(path, { now: () => Date.UTC(2026, 11, 1) });
  after?.(records);
  const all = records.exportAll();
  records.close();
  return all;
}

describe('a report of a batch', () => {
  it('tells what became of every node of the plan, in its order', () => {
    const report = reportFacts(sampleBatch(), 1);
    expect(report?.nodes.map(({ name, result, record }) => [name, result, record])).toEqual([
      ['orchard-01', 'done', 1],
      ['orchard-02', 'done', 2],
      ['orchard-03', 'done', 3],
      ['orchard-04', 'not done', 4],
      ['orchard-05', 'done', 5],
      ['orchard-06', 'done', 6],
      ['orchard-07', 'no card', null],
    ]);
    expect(report?.jobs.map(({ id }) => id)).toEqual([1, 2, 3, 4, 5, 6]);
  });

  it('adds the time up', () => {
    const { batch, jobs, time } = reportFacts(sampleBatch(), 1)!;
    expect(time.wholeMs).toBe((batch.endedAtMs ?? 0) - batch.begunAtMs);
    expect(time.stagingMs).toBe(21_000);
    // After the last card 40 s went by; before that, some reader was always at work.
    expect(time.idleMs).toBe(40_000);
    const written = jobs.flatMap(({ phases }) => phases.filter(({ phase }) => phase === 'write'));
    expect(time.phases.find(({ phase }) => phase === 'write')).toEqual({
      phase: 'write',
      elapsedMs: written.reduce((sum, { elapsedMs }) => sum + (elapsedMs ?? 0), 0),
      bytes: 5 * 1_873_805_312,
    });
  });

  it('speaks of the cards as they were then: what was written to them since is not told', () => {
    const later = sampleBatch((records) => {
      const id = records.beginJob({
        ...orchardJob,
        node: 'orchard-01',
        cardRecordUuid: records.readRecord(1)!.uuid,
      });
      records.markFailed(id, 'media.write-failed', 'unbootable');
    });
    expect(later.records).toHaveLength(7);
    expect(reportFacts(later, 1)?.nodes[0]).toMatchObject({ result: 'done', record: 1 });
  });

  it('names the earlier record of a node that was done before', () => {
    const all = sampleBatch((records) => {
      const nodes = [{ name: 'orchard-01', slot: null }];
      const batch = records.beginBatch({ set: 'orchard', planPath: 'p', toolVersion: '0', nodes });
      records.endBatch(batch, 'done');
    });
    expect(reportFacts(all, 2)).toMatchObject({
      nodes: [{ name: 'orchard-01', result: 'done before', record: 1 }],
      jobs: [],
      time: { wholeMs: 0, idleMs: 0 },
    });
  });

  it('is of batches that there are', () => {
    expect(reportFacts(sampleBatch(), 2)).toBeNull();
  });
});

describe('rates over time', () => {
  const curve = fc
    .array(fc.record({ ms: fc.integer({ min: 0, max: 5000 }), bytes: fc.integer({ min: 0, max: 2 ** 27 }) }))
    .map((jumps) => {
      let elapsedMs = 0;
      let doneBytes = 0;
      return jumps.map(({ ms, bytes }) => {
        elapsedMs += ms;
        doneBytes += bytes;
        return { elapsedMs, doneBytes };
      });
    });

  it('lose no byte that came after some time, follow one another, and are few', () => {
    fc.assert(
      fc.property(curve, (points) => {
        const steps = rateSteps({ phase: 'write', points }, 60);
        expect(steps.length).toBeLessThanOrEqual(61);
        let reachedMs = 0;
        let bytes = 0;
        for (const { fromMs, toMs, bytesPerSecond } of steps) {
          expect(fromMs).toBe(reachedMs);
          expect(toMs).toBeGreaterThan(fromMs);
          bytes += (bytesPerSecond * (toMs - fromMs)) / 1000;
          reachedMs = toMs;
        }
        const told = points.filter(({ elapsedMs }) => elapsedMs <= reachedMs);
        const first = told.find(({ elapsedMs }) => elapsedMs === reachedMs);
        expect(bytes).toBeCloseTo(first?.doneBytes ?? 0, -1);
      }),
      { seed: 7 },
    );
  });
});
