import { isSettled, plannedAddress, type Roll, type RollEntry } from '../../batch/roll-call/call-roll.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { table } from '../text/table.ts';
import { wrap } from '../text/wrap.ts';
import { wordsOf } from './roll-call-words.ts';

export interface RollOptions extends Sheet {
  set: string;
  /** is the roll still being called, so that only the lines themselves count? */
  isBrief?: boolean;
  /** were nodes waited for? */
  hasWaited: boolean;
}

const detail = { indent: 4 };

/** Every node with how it stands; below each what was seen and what to do; last how many are settled. */
export function rollCallScreen(roll: Roll, options: RollOptions): string[] {
  const columns = [{ head: 'slot' }, { head: 'node' }, { head: 'address' }, { head: 'stands' }];
  const rows = roll.entries.map((one) => {
    const { short, tone, seen, next } = wordsOf(
      one.standing,
      options.set,
      options.hasWaited ? roll.elapsedMs : null,
    );
    const details = [
      ...entries(options, 'seen', seen, detail),
      ...entry(options, 'machine', one.node.address === null ? (one.hardware ?? '') : '', detail),
      ...entries(options, 'next', next, detail),
    ];
    return {
      cells: [one.node.slot ?? '', one.node.name, addressCell(one), { text: short, tone }],
      details: options.isBrief ? [] : details,
    };
  });
  return [...table(options, columns, rows), '', ...wrap(countLine(roll), options.width)];
}

/** Where the node was looked for, or where it was found. */
function addressCell({ node, standing }: RollEntry): string {
  const planned = plannedAddress(node);
  if (planned !== null) return planned;
  return 'at' in standing ? standing.at : 'from the network';
}

function countLine({ entries: all }: Roll): string {
  const settled = all.filter(isSettled).length;
  if (settled === all.length) return `All ${all.length} are here, and the ones we made.`;
  return `${settled} of ${all.length} are here, and the ones we made.`;
}

/** One node's standing as a line of a log: for outputs that are no terminal, when it has changed. */
export function rollCallLine({ node, standing }: RollEntry, set: string, sheet: Sheet): string[] {
  const { short, tone, seen } = wordsOf(standing, set, null);
  const at = 'at' in standing ? standing.at : plannedAddress(node);
  return entry(sheet, node.name, [at, short, ...seen], { tone, columns: Math.max(12, node.name.length + 2) });
}
