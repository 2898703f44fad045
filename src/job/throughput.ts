/** Turns completed bytes over time into a current rate, a mean rate and the time left. No clock inside. */
export interface Throughput {
  /** records that `doneBytes` in all were completed at `nowMs` */
  note(doneBytes: number, nowMs: number): void;
  read(nowMs: number): ThroughputReading;
}

export interface ThroughputReading {
  doneBytes: number;
  bytesPerSecond: number;
  meanBytesPerSecond: number;
  /** null until there is a rate to go by */
  secondsLeft: number | null;
}

const windowMs = 4000;

/**
 * The time left comes from the last few seconds, not from the mean: a card slows down several-fold once its fast
 * buffer is full, and the mean would promise too much for a long time after that.
 */
export function createThroughput(totalBytes: number, startMs: number): Throughput {
  let samples = [{ atMs: startMs, doneBytes: 0 }];

  return {
    note(doneBytes, nowMs) {
      samples.push({ atMs: nowMs, doneBytes });
      const from = samples.findLastIndex((sample) => sample.atMs <= nowMs - windowMs);
      if (from > 0) samples = samples.slice(from);
    },
    read(nowMs) {
      const first = samples[0] ?? { atMs: startMs, doneBytes: 0 };
      const doneBytes = samples.at(-1)?.doneBytes ?? 0;
      const bytesPerSecond = perSecond(doneBytes - first.doneBytes, nowMs - first.atMs);
      const meanBytesPerSecond = perSecond(doneBytes, nowMs - startMs);
      const left = totalBytes - doneBytes;
      const secondsLeft = left <= 0 ? 0 : bytesPerSecond > 0 ? left / bytesPerSecond : null;
      return { doneBytes, bytesPerSecond, meanBytesPerSecond, secondsLeft };
    },
  };
}

function perSecond(bytes: number, elapsedMs: number): number {
  return elapsedMs > 0 ? (bytes * 1000) / elapsedMs : 0;
}
