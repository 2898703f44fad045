/**
 * What all tests with hostile input share. The seed is fixed, so that a run can be had again; CARDWRIGHT_FUZZ_SEED
 * chooses another, CARDWRIGHT_FUZZ_TIMES multiplies the number of inputs. fast-check prints the seed of a failure.
 */
import { expect } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { recordFigure } from '../figures/record-figure.ts';

const times = Number(process.env.CARDWRIGHT_FUZZ_TIMES ?? 1);
const seed = Number(process.env.CARDWRIGHT_FUZZ_SEED ?? 20_311_103);

/** Far more than any input takes on a busy machine, far less than one that was made for it took without limits. */
const mostMs = 15_000;

export const fuzzTimeoutMs = 120_000 * times;

/** Parameters for `fc.assert`. */
export function fuzzed(numRuns: number): { numRuns: number; seed: number } {
  return { numRuns: numRuns * times, seed };
}

/** Counts the inputs of one kind, and hands their number in when all went well. */
export class InputCount {
  #inputs = 0;

  /** Gives what the call gives, or the CardwrightError it throws; anything else that it throws is a failure. */
  async orderly<T>(call: () => T | Promise<T>): Promise<T | CardwrightError> {
    this.#inputs += 1;
    const begunMs = performance.now();
    try {
      return await call();
    } catch (error) {
      if (!(error instanceof CardwrightError)) throw error;
      return error;
    } finally {
      expect(performance.now() - begunMs).toBeLessThan(mostMs);
    }
  }

  record(note: string): void {
    recordFigure('hostile inputs', this.#inputs, note);
  }
}
