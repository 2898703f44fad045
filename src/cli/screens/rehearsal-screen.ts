import { type CardState, cardStateText } from '../../contract/card-state.ts';
import { formatDuration } from '../text/durations.ts';
import { entry, type Sheet } from '../text/sheet.ts';
import { formatRate } from '../text/sizes.ts';
import { table } from '../text/table.ts';
import { wrap } from '../text/wrap.ts';

export interface RehearsedNode {
  node: string;
  /** the make-believe card: "reader-1, 31.9 GB" */
  card: string;
  /** the fault that was put in, in words; null for a sound card */
  fault: string | null;
  state: CardState;
  foretold: CardState;
  /** the code that the job ended with, and the one foretold; null for "done" */
  code: string | null;
  foretoldCode: string | null;
  elapsedMs: number;
  /** null where nothing was written */
  bytesPerSecond: number | null;
  recordId: number | null;
}

/** Whether a make-believe card ended as foretold: in the same state, by the same code. */
export function isAsForetold({ state, foretold, code, foretoldCode }: RehearsedNode): boolean {
  return state === foretold && code === foretoldCode;
}

/** Of all states only one is an end that a card may be used after. */
const endWord = (state: CardState): string => (state === 'done' ? 'done' : 'not done');

const surprise = { indent: 4, tone: 'bad' } as const;

/** How every make-believe card ended, against what was foretold. */
export function rehearsalScreen(nodes: readonly RehearsedNode[], sheet: Sheet): string[] {
  const number = { align: 'right' as const };
  const columns = [
    { head: 'node' },
    { head: 'card' },
    { head: 'result' },
    { head: 'foretold' },
    { head: 'time', ...number },
    { head: 'rate', ...number },
    { head: 'record', ...number },
  ];
  const rows = nodes.map((one) => ({
    cells: [
      one.node,
      one.card,
      { text: endWord(one.state), tone: isAsForetold(one) ? ('good' as const) : ('bad' as const) },
      endWord(one.foretold),
      formatDuration(one.elapsedMs),
      one.bytesPerSecond === null ? '' : formatRate(one.bytesPerSecond),
      one.recordId === null ? 'none' : `${one.recordId}`,
    ],
    details: detailLines(one, sheet),
  }));
  const right = nodes.filter(isAsForetold).length;
  const all = nodes.length;
  const verdict =
    right === all
      ? `All ${all} cards ended as foretold. No card and no disk was written: this was a rehearsal.`
      : `${all - right} of ${all} cards did not end as foretold: do not write real cards before that is understood.`;
  return [...table(sheet, columns, rows), '', ...wrap(verdict, sheet.width)];
}

function detailLines(one: RehearsedNode, sheet: Sheet): string[] {
  const fault = entry(sheet, 'fault', one.fault === null ? [] : one.fault, { indent: 4 });
  const ended = entry(sheet, 'ended by', one.code ?? [], { indent: 4 });
  if (isAsForetold(one)) return [...fault, ...ended];
  const expected = one.foretoldCode ?? cardStateText[one.foretold];
  return [...fault, ...ended, ...entry(sheet, 'expected', expected, surprise)];
}
