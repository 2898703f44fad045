import type { EventPort } from '../../contract/events.ts';
import type { Phase } from '../../contract/job.ts';
import { createThroughput } from '../throughput.ts';

const tellEveryMs = 200;

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

  function tell(): void {
    const { bytesPerSecond, meanBytesPerSecond, secondsLeft } = rate.read(now());
    port.emit({
      type: 'progress',
      phase,
      doneBytes,
      totalBytes,
      bytesPerSecond,
      meanBytesPerSecond,
      secondsLeft,
    });
  }

  const timer = setInterval(tell, tellEveryMs);
  timer.unref();
  return {
    add(bytes) {
      doneBytes += bytes;
      rate.note(doneBytes, now());
    },
    end() {
      clearInterval(timer);
      tell();
    },
  };
}
