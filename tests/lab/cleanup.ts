/**
 * Scoped cleaning up for the lab: steps run in reverse order, always, and the first error is the one that is thrown.
 * Later errors are printed, never lost.
 */
import { randomBytes } from 'node:crypto';
import { mkdir, rm } from 'node:fs/promises';
import { join } from 'node:path';
import { enterInLedger, labRoot, type Undo } from './ledger.ts';

export class Cleanup {
  readonly #steps: (() => Promise<void>)[] = [];

  /**
   * Enters `undo` in the ledger at once, and runs `step` at the end of the scope; the entry is struck out only when
   * the step succeeded, so what it could not take away is tried once more when this process ends.
   */
  add(undo: Undo, step: () => Promise<unknown>): void {
    const strike = enterInLedger(undo);
    this.#steps.push(async () => {
      await step();
      strike();
    });
  }

  /** Runs all steps; gives the errors in the order in which they came. */
  async run(): Promise<unknown[]> {
    const errors: unknown[] = [];
    for (let step = this.#steps.pop(); step !== undefined; step = this.#steps.pop()) {
      try {
        await step();
      } catch (error) {
        errors.push(error);
      }
    }
    return errors;
  }
}

/** Runs `body` with a scope of its own; gives what it gives once everything is taken back. */
export async function withCleanup<T>(body: (cleanup: Cleanup) => Promise<T>): Promise<T> {
  const cleanup = new Cleanup();
  let outcome: { value: T } | { error: unknown };
  try {
    outcome = { value: await body(cleanup) };
  } catch (error) {
    outcome = { error };
  }
  const errors = [...('error' in outcome ? [outcome.error] : []), ...(await cleanup.run())];
  for (const later of errors.slice(1))
    process.stderr.write(`lab: also, while cleaning up: ${String(later)}\n`);
  if (errors.length > 0) throw errors[0];
  return (outcome as { value: T }).value;
}

/** A new folder of the lab's own, gone at the end of the scope. `parent` is the lab's folder unless given. */
export async function makeWorkFolder(cleanup: Cleanup, parent: string = labRoot): Promise<string> {
  const path = join(parent, `cardwright-lab-${randomBytes(6).toString('hex')}`);
  cleanup.add({ kind: 'folder', path }, () => rm(path, { recursive: true, force: true }));
  await mkdir(path, { mode: 0o700 });
  return path;
}
