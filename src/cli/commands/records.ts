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
  const store = await openReader(desk);
  const nowMs = Date.now();
  if (id === undefined) {
    const records = await store.list();
    desk.output.show('records', { records: records.map(fieldsOf) }, (sheet) =>
      recordsScreen(records, { ...sheet, nowMs }),
    );
    return done;
  }
  const number = recordNumber(id);
  const record = await store.read(number);
  if (!record) throw new CardwrightError('records.no-such-record', { facts: { record: number } });
  desk.output.show('record', fieldsOf(record), (sheet) =>
    form === null ? recordScreen(record, { ...sheet, nowMs }) : hostKeyLines(record.identity, form),
  );
  return done;
}

/** The records, wherever they are. */
interface RecordReader {
  list(): Promise<RecordView[]>;
  read(id: number): Promise<RecordView | null>;
}

async function openReader(desk: Desk): Promise<RecordReader> {
  const daemon = await desk.daemon();
  if (daemon) {
    return {
      list: async () => (await daemon.records()).records,
      read: async (id) => (await daemon.record(id)).record,
    };
  }
  const store = desk.existingRecords();
  store?.settleInterrupted();
  return { list: async () => store?.listRecords() ?? [], read: async (id) => store?.readRecord(id) ?? null };
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
