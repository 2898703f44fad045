import { cardStateText } from '../../contract/card-state.ts';
import { escapeText } from '../../contract/escape-text.ts';
import { hasSeverity } from '../../contract/finding.ts';
import type { JobResult, Phase } from '../../contract/job.ts';
import { formatDuration } from '../text/durations.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatExactBytes, formatRate } from '../text/sizes.ts';
import { cardName, readerName } from './card-words.ts';
import { findingLines } from './finding-lines.ts';

export interface FinishedCard {
  result: JobResult;
  /** null where an image was written without a plan */
  node: string | null;
  slot: string | null;
  image: string;
  /** node files that were compared after the last write */
  files: readonly string[];
  /** "SHA256:…" of the node's host key; null where none was made */
  /** fingerprints */
  hostKeys: readonly string[];
  release: 'ejected' | 'take it out';
}

/** The end of a job that went well. A result that is not "done" in every part is never called so. */
export function doneScreen(card: FinishedCard, sheet: Sheet): string[] {
  const { result } = card;
  if (result.card !== 'done' || hasSeverity(result.findings, 'fail')) return contradictionLines(card, sheet);
  const on = `${cardName(result.identity)} in reader ${readerName(result.identity)}`;
  const files = card.files.map((file) => escapeText(file)).join(', ');
  return [
    ...entry(sheet, 'done', [`${whatIsOnIt(card)} is on this card${recordPhrase(result.recordId)}`, on], {
      tone: 'good',
    }),
    ...entry(sheet, '', [
      `read back ${formatExactBytes(result.bytesReadBack)} from the medium, all as written`,
      files === '' ? null : `node files read back: ${files}`,
    ]),
    ...entry(sheet, '', speedPhrases(result)),
    ...entries(
      sheet,
      'host key',
      card.hostKeys.map((key) => escapeText(key)),
    ),
    ...findingLines(sheet, result.findings),
    ...entry(sheet, 'next', nextPhrases(card), { tone: 'strong' }),
  ];
}

function whatIsOnIt({ node, image }: FinishedCard): string {
  return escapeText(node ?? image);
}

export function recordPhrase(recordId: number | null): string {
  return recordId === null ? '' : ` (record ${recordId})`;
}

/** "written in 1 min 29 s at 21.1 MB/s", "read in 21 s at 89.0 MB/s" */
export function speedPhrases({ times }: Pick<JobResult, 'times'>): string[] {
  const told: [Phase, string][] = [
    ['write', 'written'],
    ['verify', 'read back'],
  ];
  return told.flatMap(([phase, verb]) => {
    const time = times.find((one) => one.phase === phase && one.bytes > 0 && one.elapsedMs > 0);
    if (!time) return [];
    const rate = formatRate((time.bytes * 1000) / time.elapsedMs);
    return [`${verb} in ${formatDuration(time.elapsedMs)} at ${rate}`];
  });
}

function nextPhrases({ node, slot, release }: FinishedCard): string[] {
  const out =
    release === 'ejected' ? 'Safe to remove.' : 'Take the card out now, before anything else opens it.';
  const label = [node, slot].filter((part) => part !== null).map((part) => escapeText(part));
  return label.length > 0 ? [`${out} Label it: ${label[0]}`, ...label.slice(1)] : [out];
}

/** Nothing should lead here; if something does, the card is not to be trusted. */
function contradictionLines({ result, node, image }: FinishedCard, sheet: Sheet): string[] {
  const verdict = `${escapeText(node ?? image)} is not finished${recordPhrase(result.recordId)}`;
  const state = result.card === 'done' ? 'the card has findings that a finished card must not have' : null;
  return [
    ...entry(sheet, 'not done', verdict, { tone: 'bad' }),
    ...findingLines(sheet, result.findings),
    ...entry(sheet, 'card', state ?? cardStateText[result.card]),
    ...entry(sheet, 'next', 'Run cardwright verify on this card before you use it.', { tone: 'strong' }),
  ];
}
