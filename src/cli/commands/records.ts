import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import { finding } from '../../contract/finding.ts';
import type { RecordView } from '../../records/record-types.ts';
import type { Desk } from '../desk.ts';
import { type HostKeyForm, hostKeyFields, hostKeyForms, hostKeyLines } from '../host-key-forms.ts';
import { type RecordChoice, type RecordChoiceOptions, readRecordChoice } from '../record-choice.ts';
import { openRecordReader, type RecordReader } from '../record-reader.ts';
import { exportForm, writeRecordsFile } from '../records-file.ts';
import { done } from '../run-command.ts';
import { recordScreen, recordsScreen } from '../screens/records-screen.ts';
import { storeCheckScreen } from '../screens/store-check-screen.ts';
import { entry } from '../text/sheet.ts';
import { recordNumber } from './verify.ts';

export interface RecordsCommandOptions extends RecordChoiceOptions {
  keysAs?: string;
  export?: string;
  check?: boolean;
}

/** The records, newest first, or one of them whole; all of them into a file; or a check of the store itself. */
export async function recordsCommand(
  desk: Desk,
  id: string | undefined,
  options: RecordsCommandOptions = {},
): Promise<ExitStatus> {
  const choice = readRecordChoice(options);
  const form = options.keysAs === undefined ? null : formOf(options.keysAs);
  refuseConflicts(id, choice, options);
  if (form !== null && id === undefined) {
    throw new CardwrightError('usage.missing-argument', { facts: { argument: 'ID', command: 'records' } });
  }
  if (options.export !== undefined) exportForm(options.export);
  const store = await openRecordReader(desk);
  if (options.check) return checkRecords(desk, store);
  if (options.export !== undefined) return exportRecords(desk, store, options.export, choice);
  if (id !== undefined) return showRecord(desk, store, recordNumber(id), form);
  const all = await store.list();
  const records = choice === null ? all : choice(all);
  desk.output.show('records', { records: records.map(fieldsOf) }, (sheet) =>
    records.length === 0 && all.length > 0
      ? [`None of the ${all.length} records is such a one.`]
      : recordsScreen(records, { ...sheet, nowMs: Date.now() }),
  );
  return done;
}

async function showRecord(
  desk: Desk,
  store: RecordReader,
  number: number,
  form: HostKeyForm | null,
): Promise<ExitStatus> {
  const record = await store.read(number);
  if (!record) throw new CardwrightError('records.no-such-record', { facts: { record: number } });
  desk.output.show('record', fieldsOf(record), (sheet) =>
    form === null
      ? recordScreen(record, { ...sheet, nowMs: Date.now() })
      : hostKeyLines(record.identity, form),
  );
  return done;
}

async function exportRecords(
  desk: Desk,
  store: RecordReader,
  file: string,
  choice: RecordChoice | null,
): Promise<ExitStatus> {
  const all = await store.exportAll();
  const chosen = new Set((choice === null ? all.records : choice(all.records)).map(({ id }) => id));
  const records = all.records.filter((record) => chosen.has(record.id));
  const path = writeRecordsFile(file, { ...all, records });
  desk.output.show('exported', { path, records: records.length }, (sheet) =>
    entry(sheet, 'written', [path, `${records.length} of ${all.records.length} records`], { tone: 'good' }),
  );
  return done;
}

/** @throws CardwrightError `records.damaged` with a finding for each thing that is wrong */
async function checkRecords(desk: Desk, store: RecordReader): Promise<ExitStatus> {
  const check = await store.check();
  desk.output.show('store', { ...check }, (sheet) => storeCheckScreen(check, sheet));
  const { problems, path } = check;
  if (problems.length === 0) return done;
  throw new CardwrightError('records.damaged', {
    facts: { path, why: `${problems.length} found wrong` },
    findings: problems.map((why) => finding('records.entry-damaged', 'fail', { why })),
  });
}

/** A record as `--json` gives it. */
export const fieldsOf = (record: RecordView) => ({
  ...record,
  identity: { ...record.identity, ...hostKeyFields(record.identity) },
});

/** @throws CardwrightError `usage.conflicting-options` */
function refuseConflicts(
  id: string | undefined,
  choice: RecordChoice | null,
  { check, keysAs, ...options }: RecordsCommandOptions,
): void {
  const given: [name: string, isGiven: boolean, reason: string][] = [
    ['--check', check === true, 'the check is about the whole store'],
    ['--export', options.export !== undefined, 'a file is written of several records'],
    ['a record’s number', id !== undefined, 'one record is shown whole'],
    ['a choice of records', choice !== null, ''],
  ];
  const [first, second] = given.filter(([, isGiven]) => isGiven);
  const isChosenExport = first?.[0] === '--export' && second?.[0] === 'a choice of records';
  if (!first || !second || isChosenExport) return;
  const facts = { option: first[0], other: second[0], reason: first[2] };
  throw new CardwrightError('usage.conflicting-options', { facts });
}

function formOf(text: string): HostKeyForm {
  const form = hostKeyForms.find((one) => one === text);
  if (form) return form;
  const facts = { option: '--keys-as', value: text, expected: hostKeyForms.join(', ') };
  throw new CardwrightError('usage.bad-value', { facts });
}
