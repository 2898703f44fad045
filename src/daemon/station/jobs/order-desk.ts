import type { Caller } from '../answer-looks.ts';
import type { StationParts } from '../station-parts.ts';
import type { RunningJob } from './running-job.ts';

/** Everything that one order is run with. */
export interface OrderDesk {
  parts: StationParts;
  job: RunningJob;
  who: Caller;
}
