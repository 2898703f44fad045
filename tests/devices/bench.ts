/**
 * Builds things on loop devices: partitions, mounts, swaps, stacks. Every step is entered in the lab's ledger first,
 * so that nothing stays behind, not even when the test process is killed; swaps end with a pipe that we hold.
 */
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdir, truncate, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { execa } from 'execa';
import type { Cleanup } from '../lab/cleanup.ts';
import { startTicksOf } from '../lab/ledger.ts';
import { detachLoop } from '../lab/loop-attach.ts';
import { waitFor } from '../lab/processes.ts';

export interface Bench {
  cleanup: Cleanup;
  /** a folder of our own on the machine's disk */
  folder: string;
}

export async function makeFile({ folder }: Bench, name: string, sizeMib: number): Promise<string> {
  const path = join(folder, name);
  await writeFile(path, '', { mode: 0o600 });
  await truncate(path, sizeMib << 20);
  return path;
}

/** Attaches a file or a block device as a loop that forgets its partitions with its backing; gives its name. */
export async function attach(bench: Bench, backingPath: string, ...options: string[]): Promise<string> {
  let name = '';
  bench.cleanup.add({ kind: 'loop', backingPath }, async () => {
    const node = `/dev/${name}`;
    if (name !== '') await detachLoop({ name, node, majorMinor: '', backingPath });
  });
  const { stdout } = await execa('losetup', ['-P', '--find', '--show', ...options, backingPath]);
  name = stdout.trim().replace('/dev/', '');
  return name;
}

/** A card of 64 MiB with two partitions, 16 MiB and the rest; this kernel reads no tables, so partx tells it. */
export async function attachPartitioned(bench: Bench, name: string): Promise<string> {
  const file = await makeFile(bench, name, 64);
  await execa('sfdisk', ['--quiet', file], { input: 'label: dos\nsize=16M, type=c\ntype=83\n' });
  const loop = await attach(bench, file);
  await execa('partx', ['--add', `/dev/${loop}`]);
  await waitFor(`partitions of ${loop}`, () => execa('test', ['-b', `/dev/${loop}p2`]).then(() => true));
  return loop;
}

export async function mount(
  bench: Bench,
  source: string,
  name: string,
  ...options: string[]
): Promise<string> {
  const point = join(bench.folder, name);
  await mkdir(point, { recursive: true });
  bench.cleanup.add({ kind: 'mount', path: point }, () => execa('umount', [point]));
  await execa('mount', [...options, source, point]);
  return point;
}

/** Starts a shell script that prints "ready" and then waits; it ends when its input does, so when we do. */
export async function startScript(
  bench: Bench,
  script: string,
  { wrapper = [] as string[], args = [] as string[] } = {},
): Promise<number> {
  const [program = 'sh', ...words] = [
    ...wrapper,
    'sh',
    '-c',
    `${script}\necho ready; read wait`,
    'sh',
    ...args,
  ];
  const child = spawn(program, words, { stdio: ['pipe', 'pipe', 'inherit'], cwd: '/' });
  const { pid } = child;
  if (pid === undefined) throw new Error(`cannot start ${program}`);
  bench.cleanup.add({ kind: 'process', pid, startedTicks: startTicksOf(pid) }, async () => {
    child.stdin.end();
    if (child.exitCode === null) await once(child, 'exit');
    // The mount namespace of a process outlives it by a moment.
    await sleep(50);
  });
  const [line] = (await once(child.stdout, 'data')) as [Buffer];
  if (line.toString().trim() !== 'ready') throw new Error(`${script}: ${line}`);
  return pid;
}

/** Swaps to a path until the scope ends. */
export async function swapOn(bench: Bench, path: string): Promise<void> {
  await execa('mkswap', [path]);
  await startScript(bench, `trap 'swapoff "$1"' EXIT; swapon "$1" || exit 1`, { args: [path] });
}

/** Fills a file without holes, as swapping to it needs. */
export async function fillFile(path: string, sizeMib: number): Promise<void> {
  await writeFile(path, Buffer.alloc(sizeMib << 20), { mode: 0o600 });
}
