import { stringify } from 'csv-stringify/sync';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { escapeText } from '../contract/escape-text.ts';
import type { RecordsExport, RecordView } from '../records/record-types.ts';
import { writePage } from './write-page.ts';

const moment = (ms: number | null): string => (ms === null ? '' : new Date(ms).toISOString());
const secondsOf = (record: RecordView, phase: RecordView['phase']): string => {
  const elapsedMs = record.phases.find((one) => one.phase === phase)?.elapsedMs ?? null;
  return elapsedMs === null ? '' : (elapsedMs / 1000).toFixed(3);
};

/** One line a record. Columns are only ever added, at the end. */
const columns: readonly [head: string, cell: (record: RecordView) => string | number | null][] = [
  ['record', ({ id }) => id],
  ['uuid', ({ uuid }) => uuid],
  ['set', ({ set }) => set],
  ['node', ({ node }) => node],
  ['slot', ({ slot }) => slot],
  ['batch', ({ batch }) => batch],
  ['job', ({ kind }) => kind],
  ['state', ({ state }) => state],
  ['card_state', ({ cardState }) => cardState],
  ['code', ({ code }) => code],
  ['began', ({ begunAtMs }) => moment(begunAtMs)],
  ['ended', ({ endedAtMs }) => moment(endedAtMs)],
  ['card', ({ cardId }) => cardId],
  ['card_cid', ({ card }) => card.cid],
  ['card_vendor', ({ card }) => card.vendor],
  ['card_model', ({ card }) => card.model],
  ['card_serial', ({ card }) => card.serial],
  ['card_bytes', ({ card }) => card.sizeBytes],
  ['reader', ({ card }) => card.port],
  ['image', ({ image }) => image?.path ?? null],
  ['image_sha256', ({ image }) => image?.packedSha256 ?? null],
  ['image_bytes', ({ image }) => image?.sizeBytes ?? null],
  ['bytes_read_back', ({ bytesReadBack }) => bytesReadBack],
  ['write_seconds', (record) => secondsOf(record, 'write')],
  ['verify_seconds', (record) => secondsOf(record, 'verify')],
  ['host_keys', ({ identity }) => identity.hostKeys.map(({ fingerprint }) => fingerprint).join(' ')],
  ['findings', ({ findings }) => findings.map(({ code }) => code).join(' ')],
  ['made_by', ({ toolVersion }) => toolVersion],
];

/**
 * Records as a table for spreadsheets (RFC 4180, with CR LF). Text that a spreadsheet would take for a formula gets
 * an apostrophe before it: serial numbers are the card's own words.
 */
export function recordsTable(records: readonly RecordView[]): string {
  const rows = records.map((record) =>
    columns.map(([, cell]) => {
      const value = cell(record);
      return typeof value === 'string' ? escapeText(value, 1000) : value;
    }),
  );
  return stringify([columns.map(([head]) => head), ...rows], {
    record_delimiter: 'windows',
    escape_formulas: true,
  });
}

const jsonHead = '{\n  "format": "cardwright-records"';
const tableHead = columns
  .slice(0, 4)
  .map(([head]) => head)
  .join(',');

/** Which file is asked for, by the end of its name. @throws CardwrightError `usage.bad-value` */
export function exportForm(path: string): 'json' | 'csv' {
  const [, ending] = /\.(json|csv)$/i.exec(path) ?? [];
  if (ending) return ending.toLowerCase() as 'json' | 'csv';
  const facts = { option: '--export', value: path, expected: 'a file name that ends in .json or .csv' };
  throw new CardwrightError('usage.bad-value', { facts });
}

/**
 * Writes all of it to the file, whole or not at all; takes the place of nothing but an earlier one of ours. The table
 * has the records, JSON also sets, batches, cards and rates.
 *
 * @throws CardwrightError `usage.bad-value`, `usage.file-in-the-way`, `usage.file-not-written`
 */
export function writeRecordsFile(path: string, content: RecordsExport): string {
  return exportForm(path) === 'json'
    ? writePage(path, `${JSON.stringify(content, null, 2)}\n`, (head) => head.startsWith(jsonHead))
    : writePage(path, recordsTable(content.records), (head) => head.startsWith(`${tableHead},`));
}
