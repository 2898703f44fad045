import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { RecordView } from '../../records/record-types.ts';
import type { Desk } from '../desk.ts';
import { type HostKeyForm, hostKeyFields, hostKeyForms, hostKeyLines } from '../host-key-forms.ts';
import { done } from '../run-command.ts';
import { recordScreen, recordsScreen } from '../screens/records-screen.ts';
import { recordNumber } from './verify.ts';

/** The records, newest first, or one of them whole. */
export async function recordsCommand(
  desk: Desk,
  id: string | undefined,
  { keysAs }: { keysAs?: string } = {},
): Promise<ExitStatus> {
  const form = keysAs === undefined ? null : formOf(keysAs);
  if (form !== null && id === undefined) {
    throw new CardwrightError('usage.missing-argument', { facts: { argument: 'ID', command: 'records' } });
  }
  const store = desk.existingRecords();
  store?.settleInterrupted();
  const nowMs = Date.now();
  if (id === undefined) {
    const records = store?.listRecords() ?? [];
    desk.output.show('records', { records: records.map(fieldsOf) }, (sheet) =>
      recordsScreen(records, { ...sheet, nowMs }),
    );
    return done;
  }
  const record = store?.readRecord(recordNumber(id)) ?? null;
  if (!record) throw new CardwrightError('records.no-such-record', { facts: { record: id } });
  desk.output.show('record', fieldsOf(record), (sheet) =>
    form === null ? recordScreen(record, { ...sheet, nowMs }) : hostKeyLines(record.identity, form),
  );
  return done;
}

const fieldsOf = (record: RecordView) => ({
  ...record,
  identity: { ...record.identity, ...hostKeyFields(record.identity) },
});

function formOf(text: string): HostKeyForm {
  const form = hostKeyForms.find((one) => one === text);
  if (form) return form;
  const facts = { option: '--keys-as', value: text, expected: hostKeyForms.join(', ') };
  throw new CardwrightError('usage.bad-value', { facts });
}
