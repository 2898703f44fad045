import type { Finding } from './finding.ts';
import type { Phase } from './job.ts';

/** What a running job tells. Every event is one JSON object; fields are only ever added. */
export type JobEvent =
  | { type: 'phase'; phase: Phase; state: 'begin' | 'end' }
  | {
      type: 'progress';
      phase: Phase;
      /** bytes that the device has completed */
      doneBytes: number;
      totalBytes: number;
      /** over the last few seconds */
      bytesPerSecond: number;
      meanBytesPerSecond: number;
      /** null while it cannot be told */
      secondsLeft: number | null;
    }
  | { type: 'stall'; phase: Phase; seconds: number }
  | { type: 'finding'; finding: Finding }
  | { type: 'say'; topic: string; text: string };

/** The port through which the core tells what happens. */
export interface EventPort {
  emit(event: JobEvent): void;
}

export const silentPort: EventPort = { emit: () => undefined };
