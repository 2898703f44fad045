/**
 * One at a time at the bench: the lab runs in lanes side by side, and what one of them does to loop devices is a
 * fact about the machine for the others. Whoever makes or writes disks takes turns, by a lock on the file that
 * CARDWRIGHT_BENCH names (flock(1): a child holds it, and the kernel gives it back with the child's end). Without that
 * variable nobody else is there.
 */
import { spawn } from 'node:child_process';
import { once } from 'node:events';

/** Waits for the turn; gives what ends it. */
export async function takeBench(): Promise<() => Promise<void>> {
  const path = process.env.CARDWRIGHT_BENCH;
  if (path === undefined) return async () => undefined;
  // `cat` ends when its input does: with ours.
  const holder = spawn('flock', ['--no-fork', path, 'sh', '-c', 'echo held; exec cat'], {
    stdio: ['pipe', 'pipe', 'inherit'],
  });
  const ended = once(holder, 'exit');
  const held = once(holder.stdout, 'data').then(() => true);
  if (!(await Promise.race([held, ended.then(() => false)]))) throw new Error('lab: no turn at the bench');
  return async () => {
    holder.stdin.end();
    await ended;
  };
}

/** Turns of a test that is at the bench at its beginning and its end, and away from it for minutes in between. */
export interface BenchTurns {
  come(): Promise<void>;
  go(): Promise<void>;
}

/** Begins at the bench; whatever happens, the turn has ended after `body`. */
export async function withBenchTurns<T>(body: (turns: BenchTurns) => Promise<T>): Promise<T> {
  let leave: (() => Promise<void>) | null = await takeBench();
  const turns: BenchTurns = {
    come: async () => {
      leave ??= await takeBench();
    },
    go: async () => {
      await leave?.();
      leave = null;
    },
  };
  try {
    return await body(turns);
  } finally {
    await turns.go();
  }
}
