import type { BenchEvent } from '../../batch/bench/bench-events.ts';
import type { BatchEvent } from '../../batch/run-batch.ts';
import type { CardIdentity, Disk } from '../../contract/devices.ts';
import type { JobEvent } from '../../contract/events.ts';
import type { EditForecast, FileContent } from '../../job/engine/foresee-edit.ts';
import type { ApprovalQuestion } from '../../job/station/approval-port.ts';
import type { RecordedOutcome } from '../../job/station/run-recorded-job.ts';
import type { CardCheck } from '../../job/station/verify-card.ts';
import type { BatchOutcome } from '../../records/record-types.ts';
import { type ErrorForm, errorForm, errorOf } from './error-form.ts';
import type { JobOrder } from './job-orders.ts';

/** How a job of the station stands. `asking`: it waits for an approval. */
export type JobStanding = 'running' | 'asking' | 'ended';

export interface JobView {
  id: number;
  kind: JobOrder['kind'];
  /** null for a batch, which takes any */
  device: string | null;
  node: string | null;
  standing: JobStanding;
  /** the phase that was begun last; null before the first */
  phase: string | null;
  /** null as long as there is none */
  record: number | null;
  /** how it ended: "done", or the code of what went wrong; null before its end */
  end: string | null;
  begunAtMs: number;
  /** is it the asker's own? */
  isOwn: boolean;
}

/** What a job tells, each line with a number of its own that only grows. */
export type JobLine = { n: number } & (
  | { type: 'job'; event: JobEvent }
  | {
      type: 'question';
      question: number;
      asks: ApprovalQuestion;
      isAnswered: boolean;
      /** of a batch; null elsewhere */
      reader: string | null;
    }
  /** its card is gone: nobody waits for the answer any more */
  | { type: 'withdrawn'; question: number }
  | { type: 'bench'; event: BenchForm }
  | { type: 'batch'; event: BatchEvent }
  | { type: 'begun'; record: number; card: CardIdentity }
  | { type: 'stopping'; jobs: 'finish' | 'cancel' }
  | { type: 'end'; value: unknown }
  | { type: 'failed'; error: ErrorForm }
);

/** Distributes over the union, as `Omit` alone does not. */
export type LineBody = JobLine extends infer Line ? (Line extends JobLine ? Omit<Line, 'n'> : never) : never;

/** What a job of each kind ends with. */
export interface JobEnds {
  write: CardMade;
  personalize: CardMade;
  foresee: { disk: Disk; recordId: number; forecast: PackedForecast };
  verify: CardCheck;
  batch: { outcome: BatchOutcome };
}

/** What happens at the bench, as it travels. */
export type BenchForm =
  | Exclude<BenchEvent, { type: 'card-not-done' }>
  | (Omit<NotDone, 'error'> & { error: ErrorForm });
type NotDone = Extract<BenchEvent, { type: 'card-not-done' }>;

export const benchForm = (event: BenchEvent): BenchForm =>
  event.type === 'card-not-done' ? { ...event, error: errorForm(event.error) } : event;

export const benchEventOf = (form: BenchForm): BenchEvent =>
  form.type === 'card-not-done' ? { ...form, error: errorOf(form.error) } : form;

export interface CardMade {
  outcome: RecordedOutcome;
  disk: Disk;
  release: 'ejected' | 'take it out';
}

type PackedContent = { sizeBytes: number; base64: string | null } | null;
type PackedForecast = Omit<EditForecast, 'changes'> & {
  changes: { path: string; before: PackedContent; after: PackedContent }[];
};

const pack = (content: FileContent | null): PackedContent =>
  content && {
    sizeBytes: content.sizeBytes,
    base64: content.bytes && Buffer.from(content.bytes).toString('base64'),
  };
const unpack = (packed: PackedContent): FileContent | null =>
  packed && {
    sizeBytes: packed.sizeBytes,
    bytes: packed.base64 === null ? null : Buffer.from(packed.base64, 'base64'),
  };

/** JSON has no bytes. */
export const packForecast = ({ changes, ...rest }: EditForecast): PackedForecast => ({
  ...rest,
  changes: changes.map(({ path, before, after }) => ({ path, before: pack(before), after: pack(after) })),
});

export const unpackForecast = ({ changes, ...rest }: PackedForecast): EditForecast => ({
  ...rest,
  changes: changes.map(({ path, before, after }) => ({ path, before: unpack(before), after: unpack(after) })),
});
