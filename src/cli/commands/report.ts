import { reportFacts } from '../../batch/report/report-facts.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { RecordsExport } from '../../records/record-types.ts';
import type { Desk } from '../desk.ts';
import { pageMark } from '../pages/document.ts';
import { reportPage } from '../pages/report-page.ts';
import { openRecordReader } from '../record-reader.ts';
import { done } from '../run-command.ts';
import { entry } from '../text/sheet.ts';
import { expectPlace, writePage } from '../write-page.ts';

export interface ReportOptions {
  out?: string;
}

const isOurs = (head: string) => head.includes(pageMark);

/** One batch as a page: the last one, or the one of this number. */
export async function reportCommand(
  desk: Desk,
  batch: string | undefined,
  { out }: ReportOptions,
): Promise<ExitStatus> {
  const wanted = batch === undefined ? null : batchNumber(batch);
  const store = await openRecordReader(desk);
  const all = await store.exportAll();
  if (all.batches.length === 0) throw new CardwrightError('records.no-batch-yet');
  writeReport(desk, all, wanted ?? Math.max(...all.batches.map((one) => one.id)), out);
  return done;
}

/** Before hours of work: whether the page can go there at all. @throws CardwrightError `usage.file-in-the-way` */
export const expectReportPlace = (path: string) => expectPlace(path, isOurs);

/** @throws CardwrightError `records.no-such-batch`, `usage.file-in-the-way`, `usage.file-not-written` */
export function writeReport(desk: Desk, all: RecordsExport, id: number, out: string | undefined): void {
  const report = reportFacts(all, id);
  if (!report) throw new CardwrightError('records.no-such-batch', { facts: { batch: id } });
  const { set } = report.batch;
  const path = writePage(out ?? `${set}-batch-${id}.html`, reportPage(report), isOurs);
  desk.output.show('report', { path, batch: id, set }, (sheet) =>
    entry(sheet, 'report', [path, 'opens in any browser, prints, and loads nothing'], { tone: 'good' }),
  );
}

function batchNumber(text: string): number {
  if (/^[1-9]\d{0,9}$/.test(text)) return Number(text);
  const facts = { option: 'BATCH', value: text, expected: 'the number of a batch' };
  throw new CardwrightError('usage.bad-value', { facts });
}
