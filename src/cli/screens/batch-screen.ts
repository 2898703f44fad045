import type { BenchRow } from '../../batch/bench/bench-events.ts';
import { formatDuration } from '../text/durations.ts';
import { entry, type Sheet } from '../text/sheet.ts';
import { formatRate } from '../text/sizes.ts';
import { table } from '../text/table.ts';
import { cardCell } from './bench-lines.ts';

/** One node of the plan at the end of a batch. */
export interface BatchNodeLine {
  node: string;
  slot: string | null;
  /** its last card of this batch; null where it had none */
  row: BenchRow | null;
  /** record of the card that is this node; null where it is not done */
  doneRecord: number | null;
  /** was it among those that this batch was to make? */
  isWanted: boolean;
}

function result({ row, doneRecord, isWanted }: BatchNodeLine): string {
  if (row) return row.result;
  if (doneRecord !== null) return 'done before';
  return isWanted ? 'no card yet' : 'not asked for';
}

/** The end of a batch: every node of the plan, what became of it, and how many are left. */
export function batchScreen(nodes: readonly BatchNodeLine[], sheet: Sheet): string[] {
  const right = { align: 'right' as const };
  const columns = [
    { head: 'node' },
    { head: 'slot' },
    { head: 'card' },
    { head: 'result' },
    { head: 'time', ...right },
    { head: 'rate', ...right },
    { head: 'record', ...right },
  ];
  const rows = nodes.map((one) => {
    const { node, slot, row, doneRecord } = one;
    const record = row?.record ?? doneRecord;
    const tone = doneRecord !== null ? ('good' as const) : row ? ('bad' as const) : ('faint' as const);
    return {
      cells: [
        node,
        slot ?? '',
        row ? cardCell(row) : '',
        { text: result(one), tone },
        row ? formatDuration(row.elapsedMs) : '',
        row?.bytesPerSecond ? formatRate(row.bytesPerSecond) : '',
        record === null ? '' : `${record}`,
      ],
      details: row?.code ? entry(sheet, 'ended by', row.code, { indent: 4 }) : [],
    };
  });
  const wanted = nodes.filter(({ isWanted }) => isWanted);
  const done = wanted.filter(({ doneRecord }) => doneRecord !== null).length;
  const left = wanted.length - done;
  const verdict =
    left === 0
      ? `All ${wanted.length} are done. Put the cards into their nodes and switch them on.`
      : `${done} of ${wanted.length} are done; the same command goes on with the ${left} that are not.`;
  return [...table(sheet, columns, rows), '', ...entry(sheet, left === 0 ? 'done' : 'left', verdict)];
}
