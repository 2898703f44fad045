import { cardStateText } from '../../contract/card-state.ts';
import type { CardwrightError } from '../../contract/cardwright-error.ts';
import { catalogueEntry } from '../../contract/catalogue/index.ts';
import { escapeText } from '../../contract/escape-text.ts';
import type { ExitName } from '../../contract/exit-status.ts';
import { adviseOn, describeFinding, type Finding } from '../../contract/finding.ts';
import type { Tone } from '../text/ink.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { wrap } from '../text/wrap.ts';
import {
  adviceOnFailure,
  damagedRanges,
  damagePlaces,
  isClassified,
  isDamagedRange,
} from './damage-places.ts';
import { adviceOn, findingLines } from './finding-lines.ts';

/** One word, at most nine columns, for how a command ended. */
export const endWords: Record<ExitName, { word: string; tone: Tone }> = {
  done: { word: 'note', tone: 'faint' },
  unexpected: { word: 'error', tone: 'bad' },
  usage: { word: 'mistake', tone: 'bad' },
  refused: { word: 'refused', tone: 'bad' },
  imageRejected: { word: 'rejected', tone: 'bad' },
  writeFailed: { word: 'not done', tone: 'bad' },
  verificationFailed: { word: 'not done', tone: 'bad' },
  cardLost: { word: 'card lost', tone: 'bad' },
  personalizationFailed: { word: 'not done', tone: 'bad' },
  approvalMissing: { word: 'stopped', tone: 'care' },
  nothingToDo: { word: 'nothing', tone: 'care' },
  recordsUnusable: { word: 'records', tone: 'bad' },
  notAllDone: { word: 'not all', tone: 'bad' },
  cancelled: { word: 'cancelled', tone: 'care' },
};

/** What happened, by what evidence, what the card is now, the code and exit status, and last what to do next. */
export function errorScreen(error: CardwrightError, sheet: Sheet): string[] {
  const { word, tone } = endWords[catalogueEntry(error.code).exit];
  const placed = error.findings.filter(hasPlace);
  const others = error.findings.filter((found) => !hasPlace(found) && !isDamagedRange(found));
  return [
    ...entry(sheet, word, error.message, { tone }),
    ...placed.flatMap((found) => placedLines(found, error.next, sheet)),
    ...findingLines(sheet, others),
    ...entries(sheet, 'where', damagePlaces(damagedRanges(error.findings), [])),
    ...causeLines(error, sheet),
    ...entry(sheet, 'card', error.card === null ? [] : cardStateText[error.card]),
    ...entry(sheet, 'code', [error.code, `exit ${error.exitStatus}`]),
    ...entries(sheet, 'next', errorAdvice(error, others), { tone: 'strong' }),
  ];
}

function hasPlace({ facts }: Finding): boolean {
  return typeof facts.file === 'string' && typeof facts.line === 'number';
}

/** "orchard.yaml:12:5: …", as compilers say it and editors jump to it, with advice of its own where it has some. */
function placedLines(found: Finding, said: string, sheet: Sheet): string[] {
  const { file, line, column } = found.facts;
  const advice = adviseOn(found);
  const place = [file, line, column].filter((part) => part !== undefined && part !== null);
  const text = `${escapeText(place.join(':'))}: ${describeFinding(found)}${advice === said ? '' : ` ${advice}`} (${found.code})`;
  const [first = '', ...rest] = wrap(escapeText(text, 1000), sheet.width, 4);
  return [first.slice(2), ...rest];
}

/** The error's own advice, then that of the first refusal, which weighs most, and of all failures; each once. */
function errorAdvice(error: CardwrightError, findings: readonly Finding[]): string[] {
  const refusals = adviceOn(findings, ['refuse']).slice(0, 1);
  const failures = findings.filter(({ severity }) => severity === 'fail');
  const own = isClassified(findings) ? [] : [error.next];
  return [...new Set([...own, ...refusals, ...adviceOnFailure(failures)])];
}

const mostCauses = 4;

/** What lay beneath, where it says more than the error itself. */
function causeLines(error: CardwrightError, sheet: Sheet): string[] {
  const said = new Set([error.message]);
  let cause: unknown = error.cause;
  for (let depth = 0; depth < mostCauses && cause instanceof Error; depth++) {
    said.add(escapeText(cause.message, 300));
    cause = cause.cause;
  }
  return entries(sheet, 'cause', [...said].slice(1));
}
