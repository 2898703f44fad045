import * as z from 'zod';
import type { DeviceGraph } from '../../contract/devices.ts';
import type { GuardResult } from '../../contract/verdict.ts';
import type { CardOrigin } from '../../job/station/identify-card.ts';
import type { RecordsExport, RecordView, StoreCheck } from '../../records/record-types.ts';
import type { JobView } from './job-lines.ts';
import { deviceName, jobOrder, recordNumber } from './job-orders.ts';
import { rights } from './rights.ts';

/** What the front asks the station for: one call a connection, one line; the answer's last line ends it. */
export const callSchema = z.strictObject({
  call: z.string().max(40),
  /** with which right the request came, and a digest of the caller's own secret */
  right: z.enum(rights),
  caller: z.string().regex(/^[0-9a-f]{64}$/),
  order: z.unknown(),
});

export type StationCall = z.infer<typeof callSchema>;

/** Jobs are counted from the station's start. */
export const jobNumber = z.int().min(1).max(9_999_999_999);

export const orders = {
  look: z.strictObject({}),
  identify: z.strictObject({ device: deviceName }),
  records: z.strictObject({}),
  record: z.strictObject({ id: recordNumber }),
  checkRecords: z.strictObject({}),
  exportRecords: z.strictObject({}),
  startJob: z.strictObject({ order: jobOrder }),
  followJob: z.strictObject({ job: jobNumber, from: z.int().min(0) }),
  answerJob: z.strictObject({
    job: jobNumber,
    question: z.int().min(0),
    typed: z.string().max(300).nullable(),
  }),
  cancelJob: z.strictObject({ job: jobNumber }),
  jobs: z.strictObject({}),
} as const;

export type OrderOf<Name extends keyof typeof orders> = z.infer<(typeof orders)[Name]>;

/** What the guard says of one disk of the graph, in the graph's order. */
export interface DiskLook {
  result: GuardResult;
  /** null where the disk is refused, or where the caller may not write */
  code: string | null;
  lastWritten: string | null;
}

export interface Answers {
  look: { graph: DeviceGraph; looks: DiskLook[] };
  identify: CardOrigin;
  records: { records: RecordView[] };
  record: { record: RecordView };
  checkRecords: StoreCheck;
  exportRecords: RecordsExport;
  startJob: { job: number };
  /** its lines are told as events before */
  followJob: { next: number };
  answerJob: { isTaken: boolean };
  cancelJob: Record<string, never>;
  jobs: { jobs: JobView[]; interrupted: RecordView[] };
}

/** One line of an answer. */
export type AnswerLine = { event: unknown } | { value: unknown } | { error: unknown };

/** No order is longer than this: a plan with the files that it carries. */
export const mostOrderBytes = 24 * 2 ** 20;
/** No single line of an answer is. */
export const mostAnswerBytes = 64 * 2 ** 20;
