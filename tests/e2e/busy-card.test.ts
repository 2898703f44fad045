import { spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { makeOrchard } from './make-orchard.ts';
import { launcher, withStation } from './run-tool.ts';

const tools = ['loop', 'tmpfs-direct-io', 'program:strace'] as const;

describeWith(tools, 'a card that a job is writing to', { timeoutMs: 120_000 }, () => {
  it('is opened by none of our other commands, and refused by each', () =>
    withLoopDisk({ sizeBytes: 64 * 2 ** 20, backing: 'tmpfs' }, (disk) =>
      withStation([disk.node], makeOrchard, async (station) => {
        const code = await station.codeOf(disk.node);
        const job = station.start('write', station.image, disk.node, '--confirm', code);
        await job.seen((line) => line.type === 'phase' && line.phase === 'write');
        // Held still: the job stays where it is for as long as the others look.
        job.child.kill('SIGSTOP');
        const trace = join(station.folder, 'trace');
        const watched = (...args: string[]) => {
          const command = [process.execPath, launcher, ...args, ...station.common];
          const { status, stdout } = spawnSync(
            'strace',
            ['-f', '-e', 'trace=execve,open,openat,openat2', '-o', trace, ...command],
            { encoding: 'utf8' },
          );
          const calls = fs.readFileSync(trace, 'utf8').split('\n');
          // Lists the machine's loop devices, which no reader has: it opens each.
          const isLosetup = (line: string) => line.includes('execve(') && line.includes('"losetup"');
          const listing = calls.filter(isLosetup).map((line) => line.split(' ')[0]);
          const opened = calls.filter((line) => !listing.includes(line.split(' ')[0]));
          // That the trace sees what it should: every command reads the policy.
          expect(opened.some((line) => line.includes('policy.yaml'))).toBe(true);
          expect(
            opened.filter((line) => line.includes('openat') && line.includes(`"${disk.node}", O_`)),
          ).toEqual([]);
          return { status, last: JSON.parse(stdout.trim().split('\n').at(-1) ?? '') };
        };
        try {
          const { last } = watched('devices');
          const seen = last.disks.find(({ node }: { node: string }) => node === disk.node);
          expect(seen).toMatchObject({ verdict: 'refused', code: null });
          const write = watched('write', station.image, disk.node, '--confirm', code);
          expect(write).toMatchObject({ status: 3, last: { code: 'job.disk-refused' } });
          for (const command of ['verify', 'identify']) {
            const looked = watched(command, disk.node);
            expect(looked, command).toMatchObject({ status: 3, last: { code: 'job.card-busy' } });
          }
        } finally {
          job.child.kill('SIGCONT');
        }
        expect((await job.end).status).toBe(0);
      }),
    ));
});
