/** The parts of the daemon while one of its jobs runs, looked at from outside (proc(5)). */
import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { makeOrchard } from '../e2e/make-orchard.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { withDaemon } from './daemon-process.ts';
import { partsOf } from './parts-of-daemon.ts';

const mib = 2 ** 20;

function descriptorsOf(pid: number): Map<number, string> {
  const open = fs.readdirSync(`/proc/${pid}/fd`).flatMap((fd): [number, string][] => {
    try {
      return [[Number(fd), fs.readlinkSync(`/proc/${pid}/fd/${fd}`)]];
    } catch {
      // Closed since it was listed.
      return [];
    }
  });
  return new Map(open);
}

function statusOf(pid: number): Record<string, string> {
  const lines = fs.readFileSync(`/proc/${pid}/status`, 'utf8').trim().split('\n');
  return Object.fromEntries(lines.map((line) => line.split(/:\s*/, 2)));
}

const childrenOf = (pid: number) =>
  fs.readFileSync(`/proc/${pid}/task/${pid}/children`, 'utf8').trim().split(' ').filter(Boolean).map(Number);

describeWith(['loop', 'tmpfs-direct-io'], 'the parts of the daemon', { timeoutMs: 120_000 }, () => {
  it('hold, while a card is written, what each of them is for and nothing else', () =>
    withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
      withDaemon([disk.node], makeOrchard, async (station) => {
        const { front, station: owner } = partsOf(station);
        const words = [
          '--plan',
          station.plan,
          '--node',
          'orchard-01',
          '--confirm',
          await station.codeOf(disk.node),
        ];
        const job = station.start('write', station.image, disk.node, ...words);
        await job.seen(({ type, phase }) => type === 'phase' && phase === 'write');
        // Held still, its worker stays where it is for as long as this takes.
        process.kill(owner, 'SIGSTOP');
        try {
          const [worker = -1, ...more] = childrenOf(owner).filter(
            (pid) => descriptorsOf(pid).get(4) === disk.node,
          );
          expect(more).toEqual([]);
          const uploads = fs.realpathSync(join(station.folder, 'uploads'));
          const given = descriptorsOf(worker);
          expect(given.get(5)).toMatch(new RegExp(`^${uploads}/[0-9a-f]{32}/[0-9a-f]{64}$`));
          const ours = [...given.values()].filter((target) => /^\/(?!dev\/null$|sys\/)/.test(target));
          expect(ours.filter((target) => !target.endsWith('/worker.cjs')).sort()).toEqual(
            [disk.node, given.get(5)].sort(),
          );
          const lowered = statusOf(worker);
          const talker = statusOf(front);
          for (const status of [lowered, talker]) {
            expect(status).toMatchObject({ NoNewPrivs: '1' });
            expect(status.Groups?.trim()).toBe('');
            for (const set of ['CapInh', 'CapPrm', 'CapEff', 'CapBnd', 'CapAmb']) {
              expect(status[set], set).toBe('0000000000000000');
            }
            expect(status.Uid).not.toMatch(/\b0\b/);
          }
          expect(lowered.Uid).not.toBe(talker.Uid);
          expect(fs.readFileSync(`/proc/${worker}/limits`, 'utf8')).toMatch(/^Max open files\s+0\s+0\s/m);

          // The front has sockets and what Node needs: no disk, no image of anybody's, no records.
          const files = [...descriptorsOf(front).values()].filter((target) => target.startsWith('/'));
          expect(files.filter((target) => !/^\/dev\/null$|\/front\.cjs$/.test(target))).toEqual([]);
          // Its own folder is all that it could get into.
          expect(fs.statSync(uploads).uid).toBe(Number(talker.Uid?.split('\t')[0]));
          expect(fs.statSync(join(station.folder, 'store')).mode & 0o077).toBe(0);
        } finally {
          process.kill(owner, 'SIGCONT');
        }
        const end = await job.end;
        expect(end.status, end.stdout + end.stderr).toBe(0);
      }),
    ));
});
