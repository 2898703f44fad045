import type { EventPort } from '../../contract/events.ts';
import type { Phase } from '../../contract/job.ts';
import { createThroughput } from '../throughput.ts';

const tellEveryMs = 200;
/** No completed I/O for this long is a stall, and said. */
export const stallMs = 5000;

/** Tells how far a phase is, from what the device has completed. Always call `end`. */
export interface Progress {
  add(bytes: number): void;
  end(): void;
}

export function startProgress(
  port: EventPort,
  phase: Phase,
  totalBytes: number,
  now: () => number = Date.now,
): Progress {
  const rate = createThroughput(totalBytes, now());
  let doneBytes = 0;
  let lastDoneMs = now();
  let stallsTold = 0;

  function tell(): void {
    const nowMs = now();
    const { bytesPerSecond, meanBytesPerSecond, secondsLeft } = rate.read(nowMs);
    port.emit({
      type: 'progress',
      phase,
      doneBytes,
      totalBytes,
      bytesPerSecond,
      meanBytesPerSecond,
      secondsLeft,
    });
    const still = Math.floor((nowMs - lastDoneMs) / stallMs);
    if (still > stallsTold)
      port.emit({ type: 'stall', phase, seconds: Math.floor((nowMs - lastDoneMs) / 1000) });
    stallsTold = still;
  }

  const timer = setInterval(tell, tellEveryMs);
  timer.unref();
  return {
    add(bytes) {
      doneBytes += bytes;
      lastDoneMs = now();
      rate.note(doneBytes, lastDoneMs);
    },
    end() {
      clearInterval(timer);
      tell();
    },
  };
}
