import { expect, it } from 'vitest';
import { makeOrchard } from '../e2e/make-orchard.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { withDaemon } from './daemon-process.ts';
import { soak } from './soak.ts';

const mib = 2 ** 20;
/** `CARDWRIGHT_SOAK_JOBS=1000` makes it as long as the figures in DEVELOPERS.md. */
const jobs = Number(process.env.CARDWRIGHT_SOAK_JOBS ?? 20);
const timeoutMs = 120_000 + jobs * 5000;

describeWith(['loop', 'tmpfs-direct-io'], 'job after job', { timeoutMs }, () => {
  it('leaves no descriptor, process or memory behind', () =>
    withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs', content: 'zeros' }, (disk) =>
      withDaemon([disk.node], makeOrchard, async (station) => {
        const code = await station.codeOf(disk.node);
        const words = ['--plan', station.plan, '--node', 'orchard-01', '--confirm', code];
        expect((await station.run('write', station.image, disk.node, ...words)).status).toBe(0);
        const end = await soak(station, disk.node, { warmUp: Math.min(jobs, 110), jobs });
        process.stderr.write(`soak: ${JSON.stringify(end)}\n`);
        expect(end.ends).toEqual({
          done: (jobs * 6) / 10,
          'guard.approval-wrong': (jobs * 2) / 10,
          'job.cancelled': (jobs * 2) / 10,
        });
        for (const part of ['front', 'station'] as const) {
          const { before, after } = { before: end.before[part], after: end.after[part] };
          expect(after.descriptors, part).toBeLessThanOrEqual(before.descriptors);
          expect(after.children, part).toBe(0);
          // What the garbage collector has not come to yet: a job that left one piece of its card would show.
          expect(after.residentKiB - before.residentKiB, part).toBeLessThan(64 * 1024);
        }
      }),
    ));
});
