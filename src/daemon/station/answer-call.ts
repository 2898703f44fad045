import { CardwrightError } from '../../contract/cardwright-error.ts';
import { orders, type StationCall } from '../contract/station-calls.ts';
import { answerIdentify, answerLook, answerRecord } from './answer-looks.ts';
import type { StationParts } from './station-parts.ts';

type Run = (parts: StationParts, call: StationCall) => Promise<unknown>;

/** What the station can be asked. An order is checked here once more: the front is not trusted with more than its callers. */
const runs: Readonly<Record<keyof typeof orders, Run>> = {
  look: (parts, call) => answerLook(parts, call),
  identify: async (parts, { order }) => answerIdentify(parts, orders.identify.parse(order)),
  records: async ({ records }) => ({ records: records.listRecords() }),
  record: async (parts, { order }) => answerRecord(parts, orders.record.parse(order)),
  checkRecords: async ({ records }) => records.check(),
  exportRecords: async ({ records }) => records.exportAll(),
};

const isKnown = (call: string): call is keyof typeof orders => Object.hasOwn(runs, call);

/** @throws CardwrightError */
export async function answerCall(parts: StationParts, call: StationCall): Promise<unknown> {
  if (!isKnown(call.call)) {
    throw new CardwrightError('daemon.no-such-thing', { facts: { what: `call ${call.call}` } });
  }
  const checked = orders[call.call].safeParse(call.order);
  if (!checked.success) {
    const why = checked.error.issues[0]?.message ?? 'the order has another shape';
    throw new CardwrightError('daemon.bad-request', { facts: { why } });
  }
  return runs[call.call](parts, call);
}
