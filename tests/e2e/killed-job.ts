/** A job in a process of its own that is killed at a chosen moment, alone, with its worker, or its worker alone. */
import { spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { build } from 'esbuild';
import type { JobEvent } from '../../src/contract/events.ts';
import { waitFor } from '../lab/processes.ts';
import type { TestDisk } from './job-on-disk.ts';

export type Victim = 'supervisor' | 'worker' | 'both';

const distFolder = join(import.meta.dirname, '..', '..', 'dist');

/** Bundles the job's program beside the worker that it starts; gives the path. */
export async function bundleJob(): Promise<string> {
  const outfile = join(distFolder, 'kill-sweep-job.mjs');
  await build({
    entryPoints: [join(import.meta.dirname, 'kill-sweep-job.ts')],
    outfile,
    bundle: true,
    platform: 'node',
    target: 'node20',
    format: 'esm',
    packages: 'external',
    logLevel: 'silent',
  });
  return outfile;
}

interface JobEndLine {
  type: 'end';
  code: string | null;
  card: string;
}

export interface JobProcess {
  events: JobEvent[];
  /** null when it was killed before it could say */
  endLine(): JobEndLine | null;
  hasEnded(): boolean;
  ended: Promise<void>;
  /** the worker that holds the disk now; null where there is none */
  workerPid(): number | null;
  /** gives when all that was killed is gone */
  kill(victim: Victim): Promise<void>;
}

function isGone(pid: number): boolean {
  try {
    // A zombie has let go of everything; whoever adopted it may be late to collect it.
    return / [ZX] /.test(fs.readFileSync(`/proc/${pid}/stat`, 'latin1').replace(/^.*\)/, ''));
  } catch (error) {
    if (['ENOENT', 'ESRCH'].includes((error as NodeJS.ErrnoException).code ?? '')) return true;
    throw error;
  }
}

function holdsDisk(pid: string, node: string): boolean {
  try {
    return fs.readlinkSync(`/proc/${pid}/fd/4`) === node;
  } catch {
    // Ended meanwhile, or it has no such descriptor.
    return false;
  }
}

export function startJobProcess(program: string, folder: string, disk: TestDisk): JobProcess {
  const child = spawn(process.execPath, [program, folder, disk.node, disk.majorMinor], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  const events: JobEvent[] = [];
  let end: JobEndLine | null = null;
  let rest = '';
  child.stdout.setEncoding('utf8').on('data', (text: string) => {
    const lines = (rest + text).split('\n');
    rest = lines.pop() ?? '';
    for (const line of lines.map((one) => JSON.parse(one) as JobEvent | JobEndLine)) {
      if (line.type === 'end') end = line;
      else events.push(line);
    }
  });
  const ended = new Promise<void>((resolve) => child.once('close', () => resolve()));
  const workerPid = (): number | null => {
    if (child.pid === undefined || child.exitCode !== null) return null;
    const children = fs.readFileSync(`/proc/${child.pid}/task/${child.pid}/children`, 'utf8').trim();
    const worker = children.split(' ').find((pid) => pid !== '' && holdsDisk(pid, disk.node));
    return worker === undefined ? null : Number(worker);
  };
  return {
    events,
    endLine: () => end,
    hasEnded: () => child.exitCode !== null || child.signalCode !== null,
    ended,
    workerPid,
    async kill(victim) {
      const worker = workerPid();
      if (victim !== 'supervisor' && worker !== null) process.kill(worker, 'SIGKILL');
      if (victim !== 'worker') child.kill('SIGKILL');
      if (worker !== null)
        await waitFor(`worker ${worker} to be gone`, () => isGone(worker), { timeoutMs: 1000 });
      await ended;
    },
  };
}
