import type { CardwrightError } from '../../contract/cardwright-error.ts';
import { type HeadSeen, isLost, type JobMark } from '../verdict.ts';
import type { RunningWorker } from './start-worker.ts';

/** A failing card may be slow to answer; the person waits for the verdict meanwhile. */
const lookMs = 3000;
/** A killed process goes at once, unless the kernel still waits for the card on its account. */
const goneMs = 300;

/**
 * After a failure between the head's coming off and the seal: has the worker look whether the first MiB reads as
 * zeros, and clear it once more where it does not and writing is still allowed.
 */
export async function lookAtHead(
  worker: RunningWorker | null,
  mark: JobMark,
  error: CardwrightError,
  signal: AbortSignal,
): Promise<HeadSeen> {
  const isOff = mark === 'head is coming off' || mark === 'head is off';
  const isAsked = isOff && !isLost(error) && error.code !== 'job.worker-died' && !signal.aborted;
  if (!worker || !isAsked) return 'not asked';
  const look = worker.call('settleHead', {}).then(
    ({ isZero }): HeadSeen => (isZero ? 'zeros' : 'no zeros'),
    // Why it cannot be read does not matter any more: the job has its error, and the card is then not known.
    (): HeadSeen => 'no zeros',
  );
  const seen = await within(lookMs, look, 'no zeros', signal);
  return signal.aborted ? 'not asked' : seen;
}

/**
 * Ends a worker; false where it is still there after a moment, since a request of its is on the way to a reader that
 * hangs. The card stays claimed by it until the reader lets go.
 */
export async function dismissWorker(worker: RunningWorker): Promise<boolean> {
  worker.kill();
  return within(
    goneMs,
    worker.gone.then(() => true),
    false,
  );
}

async function within<T>(limitMs: number, work: Promise<T>, otherwise: T, signal?: AbortSignal): Promise<T> {
  let timer: NodeJS.Timeout | undefined;
  let giveUp = (): void => undefined;
  const tooLate = new Promise<T>((resolve) => {
    giveUp = () => resolve(otherwise);
    timer = setTimeout(giveUp, limitMs);
    signal?.addEventListener('abort', giveUp, { once: true });
  });
  try {
    return await Promise.race([work, tooLate]);
  } finally {
    clearTimeout(timer);
    signal?.removeEventListener('abort', giveUp);
  }
}
