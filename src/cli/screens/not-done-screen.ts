import { type CardState, cardStateText } from '../../contract/card-state.ts';
import type { CardwrightError } from '../../contract/cardwright-error.ts';
import { catalogueEntry } from '../../contract/catalogue/index.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import { escapeText } from '../../contract/escape-text.ts';
import { describeFinding } from '../../contract/finding.ts';
import { type ImageLayout, phases } from '../../contract/job.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { cardName, readerName } from './card-words.ts';
import {
  adviceOnFailure,
  damagedRanges,
  damagePlaces,
  isClassified,
  isDamagedRange,
} from './damage-places.ts';
import { recordPhrase } from './done-screen.ts';
import { endWords } from './error-screen.ts';
import { findingLines } from './finding-lines.ts';
import { phaseWork } from './phase-words.ts';

export interface FailedCard {
  error: CardwrightError;
  identity: CardIdentity;
  node: string | null;
  recordId: number | null;
  /** where the partitions lie, to say how deep in one a damaged place is; empty where not known */
  layout: ImageLayout;
}

const verdicts: Record<CardState, string> = {
  untouched: 'nothing was written, this card is as it was',
  unbootable: 'do not use this card',
  unconfirmed: 'do not use this card before it was verified',
  damaged: 'do not use this card',
  done: 'the card is complete, and something failed after that',
  unknown: 'do not use this card before it was read again',
};

/** The end of a job that failed: verdict, what differs and where, the card's state, exit status, what to do next. */
export function notDoneScreen(
  { error, identity, node, recordId, layout }: FailedCard,
  sheet: Sheet,
): string[] {
  const { word, tone } = endWords[catalogueEntry(error.code).exit];
  const state = error.card ?? 'unknown';
  const others = error.findings.filter((found) => !isDamagedRange(found));
  const failed = others.filter((found) => found.severity === 'fail').map(describeFinding);
  const phase = phases.find((one) => one === error.facts.phase);
  return [
    ...entry(sheet, word, `${verdicts[state]}${recordPhrase(recordId)}`, { tone }),
    ...entry(sheet, 'card', [
      node === null ? null : `meant for ${escapeText(node)}`,
      `${cardName(identity)} in reader ${readerName(identity)}`,
    ]),
    ...entries(sheet, 'what', [error.message, ...failed]),
    ...entries(sheet, 'where', damagePlaces(damagedRanges(error.findings), layout)),
    ...entry(sheet, 'while', phase === undefined ? [] : phaseWork[phase]),
    ...findingLines(
      sheet,
      others.filter((found) => found.severity !== 'fail'),
    ),
    ...entry(sheet, 'now', cardStateText[state]),
    ...entry(sheet, 'code', [error.code, `exit ${error.exitStatus}`]),
    ...entries(sheet, 'next', failureAdvice(error), { tone: 'strong' }),
  ];
}

/** The error's own advice, unless its findings say more exactly what to do about the same damage. */
function failureAdvice(error: CardwrightError): string[] {
  return [
    ...new Set([...(isClassified(error.findings) ? [] : [error.next]), ...adviceOnFailure(error.findings)]),
  ];
}
