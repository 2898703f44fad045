/**
 * The process that has the card in its hands, looked at from outside while a real job runs (proc(5)), and let try
 * what it must not be able to do.
 */
import { spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { waitFor } from '../lab/processes.ts';
import { makeOrchard } from './make-orchard.ts';
import { type RunningTool, startTool, type TestStation, withStation } from './run-tool.ts';
import { copyTool, type Tried } from './worker-copy.ts';

const mib = 2 ** 20;

interface HeldJob {
  station: TestStation;
  disk: LoopDisk;
  job: RunningTool;
  pid: number;
}

function childrenOf(pid: number): number[] {
  const text = fs.readFileSync(`/proc/${pid}/task/${pid}/children`, 'utf8').trim();
  return text === '' ? [] : text.split(' ').map(Number);
}

function descriptorsOf(pid: number): Map<number, string> {
  const numbers = fs.readdirSync(`/proc/${pid}/fd`).map(Number);
  return new Map(numbers.map((fd) => [fd, fs.readlinkSync(`/proc/${pid}/fd/${fd}`)]));
}

function statusOf(pid: number): Record<string, string> {
  const lines = fs.readFileSync(`/proc/${pid}/status`, 'utf8').trim().split('\n');
  return Object.fromEntries(lines.map((line) => line.split(/:\s*/, 2)));
}

/** A job whose supervisor is held still in the writing, so that its worker can be looked at for as long as it takes. */
async function withHeldJob(
  { packed = false, doors = {} }: { packed?: boolean; doors?: Record<string, string> },
  look: (held: HeldJob) => Promise<void>,
): Promise<void> {
  await withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
    withStation([disk.node], makeOrchard, async (station) => {
      if (packed) spawnSync('xz', ['--keep', '-0', station.image]);
      const image = packed ? `${station.image}.xz` : station.image;
      const confirm = [
        '--plan',
        station.plan,
        '--node',
        'orchard-01',
        '--confirm',
        await station.codeOf(disk.node),
      ];
      const stray = fs.openSync('/etc/shadow', 'r');
      const job = startTool(['write', image, disk.node, ...confirm, ...station.common], {
        launcher: copyTool(station.folder, doors),
        stray,
      });
      fs.closeSync(stray);
      try {
        await job.seen((line) => line.type === 'phase' && line.phase === 'write');
        job.child.kill('SIGSTOP');
        const holders = childrenOf(job.child.pid ?? -1).filter(
          (child) =>
            fs.existsSync(`/proc/${child}/fd/4`) && fs.readlinkSync(`/proc/${child}/fd/4`) === disk.node,
        );
        expect(holders).toHaveLength(1);
        await look({ station, disk, job, pid: holders[0] ?? -1 });
      } finally {
        job.child.kill('SIGKILL');
        await job.end;
      }
    }),
  );
}

/** Not Node's own: its event loop, its wake-ups, and pipes between its threads that nobody else here has. */
function foreignDescriptors({ job, pid }: HeldJob): [number, string][] {
  const isPlain = (target: string) =>
    /^(anon_inode:\[(eventpoll|eventfd|io_uring)\]|\/dev\/null)$/.test(target);
  const supervisor = job.child.pid ?? -1;
  const others = [supervisor, ...childrenOf(supervisor).filter((child) => child !== pid)];
  const shared = others.flatMap((other) => [...descriptorsOf(other).values()]);
  const isOwnPipe = (target: string) => target.startsWith('pipe:') && !shared.includes(target);
  return [...descriptorsOf(pid)].filter(([fd, target]) => fd > 7 && !isPlain(target) && !isOwnPipe(target));
}

describeWith(
  ['loop', 'tmpfs-direct-io', 'program:xz'],
  'the worker of a running job',
  { timeoutMs: 120_000 },
  () => {
    it.each([
      ['raw', false],
      ['packed', true],
    ])('has the card, the %s image, and what Node needs: nothing else', (_, packed) =>
      withHeldJob({ packed }, async (held) => {
        const { station, disk, pid } = held;
        const sys = fs.realpathSync(`/sys/dev/block/${disk.majorMinor}`);
        const all = descriptorsOf(pid);
        const given = [...all].filter(([fd]) => fd < 8).sort(([one], [other]) => one - other);
        expect(given).toEqual([
          [0, `${fs.realpathSync(station.folder)}/for-root-alone/dist/worker.cjs`],
          [1, '/dev/null'],
          [2, expect.stringMatching(/^(pipe|socket):/)],
          [3, expect.stringMatching(/^socket:/)],
          [4, disk.node],
          [5, packed ? expect.stringMatching(/cardwright-pipe-\w+\/image \(deleted\)$/) : station.image],
          [6, `${sys}/diskseq`],
          [7, `${sys}/stat`],
        ]);
        // The tool itself was given one more, which it does not hand on.
        expect([...descriptorsOf(held.job.child.pid ?? -1).values()]).toContain('/etc/shadow');
        expect(foreignDescriptors(held)).toEqual([]);
      }),
    );

    it('is a user of its own without groups, capabilities, or a way to any', () =>
      withHeldJob({}, async ({ pid }) => {
        const status = statusOf(pid);
        const [uid] = status.Uid?.split('\t').map(Number) ?? [];
        // systemd.io/UIDS-GIDS: users made on the fly; neither root nor nobody.
        expect(uid).toBeGreaterThanOrEqual(61_184);
        expect(uid).toBeLessThanOrEqual(65_519);
        const four = Array(4).fill(uid).join('\t');
        expect(status).toMatchObject({ Uid: four, Gid: four, NoNewPrivs: '1' });
        expect(status.Groups?.trim()).toBe('');
        for (const set of ['CapInh', 'CapPrm', 'CapEff', 'CapBnd', 'CapAmb'])
          expect(status[set], set).toBe('0000000000000000');
        const limits = fs.readFileSync(`/proc/${pid}/limits`, 'utf8');
        expect(limits).toMatch(/^Max open files\s+0\s+0\s/m);
      }));

    it('opens no other disk, no file and no socket, and gets no more rights, when it tries', () =>
      withLoopDisk({ sizeBytes: 4 * mib, backing: 'tmpfs' }, (other) => {
        // Anybody may open it: what stops the worker is the worker's own limit.
        const { mode } = fs.statSync(other.node);
        fs.chmodSync(other.node, 0o666);
        const doors = {
          'another disk': other.node,
          'the list of users': '/etc/passwd',
          'the null device': '/dev/null',
        };
        return withHeldJob({ doors }, async ({ job, pid }) => {
          process.kill(pid, 'SIGUSR2');
          job.child.kill('SIGCONT');
          const { text } = (await job.seen((line) => line.type === 'say' && line.topic === 'tried')) as {
            text: string;
          };
          const tried = JSON.parse(text) as Tried;
          const no = Object.keys(doors).flatMap((door) => [`read ${door}`, `write ${door}`]);
          expect(tried).toEqual({
            ...Object.fromEntries(no.map((what) => [what, 'EMFILE'])),
            'make a file': 'EMFILE',
            'become root': 'EPERM',
            'take a group': 'EPERM',
            'signal its supervisor': 'EPERM',
            'raise its limit': 'EMFILE',
            'connect a socket': 'EMFILE',
            'listen on a socket': 'EMFILE',
          });
          // All that did not disturb it.
          expect(await job.end).toMatchObject({ status: 0 });
        }).finally(() => fs.chmodSync(other.node, mode));
      }));

    it('ends with its supervisor, whatever ended that', () =>
      withHeldJob({}, async ({ job, pid }) => {
        job.child.kill('SIGKILL');
        // A zombie has let go of everything; whoever adopted it may be late to collect it.
        const isGone = () => !fs.existsSync(`/proc/${pid}`) || statusOf(pid).State?.startsWith('Z');
        await waitFor('the worker to end', () => isGone() === true, { timeoutMs: 1000 });
      }));
  },
);
