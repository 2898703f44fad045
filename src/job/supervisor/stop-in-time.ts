import { CardwrightError } from '../../contract/cardwright-error.ts';
import { isLost } from '../verdict.ts';
import type { RunningWorker } from './start-worker.ts';

/** A worker that has not stopped by then is ended: cancelling answers within a second. */
const patienceMs = 500;

/**
 * Runs work on a worker until it ends or the signal comes. On the signal the worker is asked to stop, then ended; a
 * process that hangs in a reader is not waited for.
 *
 * @throws CardwrightError `job.cancelled`; an exchanged or pulled card is said also after the signal
 */
export async function stopInTime<T>(
  signal: AbortSignal,
  worker: RunningWorker,
  work: () => Promise<T>,
): Promise<T> {
  const cancelled = () => new CardwrightError('job.cancelled');
  if (signal.aborted) throw cancelled();
  let timer: NodeJS.Timeout | undefined;
  let onAbort = (): void => undefined;
  const stopped = new Promise<never>((_, reject) => {
    onAbort = () => {
      worker.stop();
      timer = setTimeout(() => {
        worker.kill();
        reject(cancelled());
      }, patienceMs);
    };
    signal.addEventListener('abort', onAbort, { once: true });
  });
  try {
    return await Promise.race([work(), stopped]);
  } catch (error) {
    const mustBeSaid = error instanceof CardwrightError && isLost(error);
    throw signal.aborted && !mustBeSaid ? cancelled() : error;
  } finally {
    clearTimeout(timer);
    signal.removeEventListener('abort', onAbort);
  }
}
