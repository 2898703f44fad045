/** Programs that take their time, run so that they end with the test process, whatever happens to it. */
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import type { Cleanup } from '../cleanup.ts';
import { startProcess } from '../processes.ts';

/** Runs `program` to its end; throws with the end of its output when it fails or takes longer than `timeoutMs`. */
export async function runProgram(
  cleanup: Cleanup,
  folder: string,
  program: string,
  args: readonly string[],
  { timeoutMs }: { timeoutMs: number },
): Promise<void> {
  const running = startProcess(cleanup, program, args, { outputPath: join(folder, `${program}.out`) });
  const deadline = performance.now() + timeoutMs;
  while (running.ended() === null && performance.now() < deadline) await sleep(50);
  const end = running.ended() ?? `still running after ${timeoutMs / 1000} s`;
  await running.stop();
  if (end !== 'status 0') throw new Error(`lab: ${program}: ${end}\n${running.output().slice(-4000)}`);
}
