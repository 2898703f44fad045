import { createIoClock, type IoClock } from '../../media/io-clock.ts';
import { beatMs, type FromWorker, stallMs } from './protocol.ts';

/**
 * Lets the supervisor hear about once a second that this process lives and that the card completes what it is given;
 * says so when it does not. While the file-system library reads, this thread is not free: then each completed read
 * beats, and silence is the stall.
 */
export function startPulse(tell: (message: FromWorker) => void, now: () => number = Date.now): IoClock {
  let lastBeatMs = now();
  let stallsTold = 0;

  function beat(): void {
    lastBeatMs = now();
    tell({ type: 'alive' });
  }

  const clock = createIoClock(now, () => {
    if (now() - lastBeatMs >= beatMs) beat();
  });
  const timer = setInterval(() => {
    const waitingMs = clock.waitingMs();
    const stalls = Math.floor(waitingMs / stallMs);
    if (stalls > stallsTold) tell({ type: 'stalled', seconds: Math.floor(waitingMs / 1000) });
    else beat();
    stallsTold = stalls;
  }, beatMs);
  timer.unref();
  return clock;
}
