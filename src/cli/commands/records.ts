import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { Desk } from '../desk.ts';
import { done } from '../run-command.ts';
import { recordScreen, recordsScreen } from '../screens/records-screen.ts';
import { recordNumber } from './verify.ts';

/** The records, newest first, or one of them whole. */
export async function recordsCommand(desk: Desk, id: string | undefined): Promise<ExitStatus> {
  const store = desk.existingRecords();
  store?.settleInterrupted();
  const nowMs = Date.now();
  if (id === undefined) {
    const records = store?.listRecords() ?? [];
    desk.output.show('records', { records }, (sheet) => recordsScreen(records, { ...sheet, nowMs }));
    return done;
  }
  const record = store?.readRecord(recordNumber(id)) ?? null;
  if (!record) throw new CardwrightError('records.no-such-record', { facts: { record: id } });
  desk.output.show('record', record, (sheet) => recordScreen(record, { ...sheet, nowMs }));
  return done;
}
