import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { RecordView } from '../../records/record-types.ts';
import { includesRight, type Right } from '../contract/rights.ts';
import { type Answers, type OrderOf, orders, type StationCall } from '../contract/station-calls.ts';
import { answerIdentify, answerLook, answerRecord } from './answer-looks.ts';
import type { JobTable } from './jobs/job-table.ts';
import type { StationParts } from './station-parts.ts';

/** What a call is answered from. */
export interface StationDesk {
  parts: StationParts;
  jobs: JobTable;
  /** records that an earlier process of the station left behind */
  interrupted: RecordView[];
}

/** Whoever asks, while they listen. */
export interface Listening {
  tell(event: unknown): void;
  gone: AbortSignal;
}

interface Entry<Name extends keyof typeof orders> {
  needs: Right;
  run(
    desk: StationDesk,
    call: StationCall,
    order: OrderOf<Name>,
    asker: Listening,
  ): Answers[Name] | Promise<Answers[Name]>;
}

/** What the station can be asked. Right and order are checked here once more: the front is not trusted with them. */
const entries: { readonly [Name in keyof typeof orders]: Entry<Name> } = {
  look: { needs: 'look', run: ({ parts }, call) => answerLook(parts, call) },
  identify: { needs: 'look', run: ({ parts }, _call, order) => answerIdentify(parts, order) },
  records: { needs: 'look', run: ({ parts }) => ({ records: parts.records.listRecords() }) },
  record: { needs: 'look', run: ({ parts }, _call, order) => answerRecord(parts, order) },
  checkRecords: { needs: 'look', run: ({ parts }) => parts.records.check() },
  exportRecords: { needs: 'look', run: ({ parts }) => parts.records.exportAll() },
  startJob: { needs: 'write', run: ({ jobs }, call, { order }) => ({ job: jobs.start(call, order) }) },
  followJob: {
    needs: 'write',
    run: async ({ jobs }, call, { job, from }, { tell, gone }) => ({
      next: await jobs.find(call, job).follow(from, tell, gone),
    }),
  },
  answerJob: {
    needs: 'write',
    run: ({ jobs }, call, { job, question, typed }) => ({
      isTaken: jobs.find(call, job).answer(question, typed),
    }),
  },
  cancelJob: {
    needs: 'write',
    run({ jobs }, call, { job }) {
      jobs.find(call, job).cancel();
      return {};
    },
  },
  jobs: { needs: 'write', run: ({ jobs, interrupted }, call) => ({ jobs: jobs.list(call), interrupted }) },
};

const isKnown = (call: string): call is keyof typeof orders => Object.hasOwn(entries, call);

/** @throws CardwrightError */
export async function answerCall(desk: StationDesk, call: StationCall, asker: Listening): Promise<unknown> {
  if (!isKnown(call.call)) {
    throw new CardwrightError('daemon.no-such-thing', { facts: { what: `call ${call.call}` } });
  }
  const entry = entries[call.call] as unknown as Entry<'jobs'>;
  if (!includesRight(call.right, entry.needs)) {
    throw new CardwrightError('daemon.not-allowed', { facts: { needed: entry.needs, held: call.right } });
  }
  const checked = orders[call.call].safeParse(call.order);
  if (!checked.success) {
    const [issue] = checked.error.issues;
    const why = `${issue?.path.join('.') ?? ''}: ${issue?.message ?? 'the order has another shape'}`;
    throw new CardwrightError('daemon.bad-request', { facts: { why } });
  }
  return entry.run(desk, call, checked.data as never, asker);
}
