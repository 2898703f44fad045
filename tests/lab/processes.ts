/** Starts the lab's long-running tools so that none outlives its scope, and waits for things to happen. */
import { type ChildProcess, spawn } from 'node:child_process';
import { closeSync, openSync, readFileSync } from 'node:fs';
import { setTimeout as sleep } from 'node:timers/promises';
import type { Cleanup } from './cleanup.ts';
import { startTicksOf } from './ledger.ts';

export interface Running {
  readonly child: ChildProcess;
  readonly pid: number;
  /** null while it runs */
  ended(): string | null;
  /** what it has printed, both streams */
  output(): string;
  /** waits for its end; kills it after `patienceMs` */
  stop(patienceMs?: number): Promise<void>;
}

/** Starts `program` in the scope: at its end it is given a moment to end by itself, then killed. */
export function startProcess(
  cleanup: Cleanup,
  program: string,
  args: readonly string[],
  { outputPath, patienceMs = 0 }: { outputPath: string; patienceMs?: number },
): Running {
  const output = openSync(outputPath, 'a', 0o600);
  const child = spawn(program, args, { stdio: ['ignore', output, output] });
  closeSync(output);
  let failure: Error | null = null;
  child.once('error', (error) => {
    failure = error;
  });
  const { pid } = child;
  if (pid === undefined) throw new Error(`lab: ${program} could not be started`);
  const ended = () => {
    if (failure !== null) return failure.message;
    if (child.exitCode !== null) return `status ${child.exitCode}`;
    return child.signalCode;
  };
  const stop = async (patience = 0) => {
    const deadline = performance.now() + patience;
    while (ended() === null && performance.now() < deadline) await sleep(10);
    if (ended() === null) child.kill('SIGKILL');
    while (ended() === null) await sleep(5);
  };
  cleanup.add({ kind: 'process', pid, startedTicks: startTicksOf(pid) }, () => stop(patienceMs));
  return { child, pid, ended, output: () => readFileSync(outputPath, 'utf8'), stop };
}

/** Waits until `look` gives something other than null or false; throws with `what` after `timeoutMs`. */
export async function waitFor<T>(
  what: string,
  look: () => T | null | false | Promise<T | null | false>,
  { timeoutMs = 5000, everyMs = 10 } = {},
): Promise<T> {
  const deadline = performance.now() + timeoutMs;
  for (;;) {
    const found = await look();
    if (found !== null && found !== false) return found;
    if (performance.now() > deadline) throw new Error(`lab: waited ${timeoutMs} ms for ${what}`);
    await sleep(everyMs);
  }
}
