import { type CardState, cardStateText } from '../../contract/card-state.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import { escapeText } from '../../contract/escape-text.ts';
import { type ExitName, exitStatus } from '../../contract/exit-status.ts';
import type { Finding } from '../../contract/finding.ts';
import type { DamagedRange, ImageLayout } from '../../contract/job.ts';
import { formatDuration } from '../text/durations.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatCount, formatExactBytes, formatRate } from '../text/sizes.ts';
import { cardName, readerName } from './card-words.ts';
import { adviceOnFailure, damagePlaces, isDamagedRange } from './damage-places.ts';
import { findingLines } from './finding-lines.ts';

export interface VerifiedCard {
  identity: CardIdentity;
  /** `unfinished`: the reading was cut off, so nothing is proven */
  verdict: 'good' | 'bad' | 'unfinished';
  /** what the card was compared with: "record 14", "node-os.img.xz" */
  against: string;
  node: string | null;
  bytesReadBack: number;
  elapsedMs: number;
  /** 512-byte sectors that the kernel counted; null where it does not count */
  sectorsRead: number | null;
  damage: readonly DamagedRange[];
  layout: ImageLayout;
  findings: readonly Finding[];
  /** what the card is known to be now; null where the verdict says all there is */
  card: CardState | null;
  /** the record that this check turned from "unconfirmed" into "done"; null otherwise */
  settledRecord: number | null;
}

const verdicts = {
  good: { word: 'as made', tone: 'good' },
  bad: { word: 'differs', tone: 'bad' },
  unfinished: { word: 'not known', tone: 'care' },
} as const;

const exits: Record<VerifiedCard['verdict'], ExitName> = {
  good: 'done',
  bad: 'verificationFailed',
  unfinished: 'cancelled',
};

/** What reading a card found: verdict, how much was read and how fast, where it differs, what to do. */
export function verifyScreen(found: VerifiedCard, sheet: Sheet): string[] {
  const { word, tone } = verdicts[found.verdict];
  const others = found.findings.filter((one) => !isDamagedRange(one));
  return [
    ...entry(sheet, word, verdictText(found), { tone }),
    ...entry(sheet, 'card', [
      found.node === null ? null : escapeText(found.node),
      `${cardName(found.identity)} in reader ${readerName(found.identity)}`,
    ]),
    ...entry(sheet, 'read', readPhrases(found)),
    ...findingLines(sheet, others),
    ...entries(sheet, 'where', damagePlaces(found.damage, found.layout)),
    ...entry(sheet, 'now', found.card === null ? [] : cardStateText[found.card]),
    ...entry(
      sheet,
      'record',
      found.settledRecord === null
        ? []
        : `record ${found.settledRecord} was unconfirmed and is settled: the card is done`,
    ),
    ...entry(sheet, 'code', `exit ${exitStatus[exits[found.verdict]]}`),
    ...entries(sheet, 'next', nextTexts(found), { tone: 'strong' }),
  ];
}

function verdictText({ verdict, against }: VerifiedCard): string {
  const other = escapeText(against);
  if (verdict === 'good') return `every byte that was compared is as ${other} says`;
  if (verdict === 'bad') return `this card is not what ${other} says`;
  return `the card was not read to the end; nothing is proven about ${other}`;
}

function readPhrases({ bytesReadBack, elapsedMs, sectorsRead }: VerifiedCard): string[] {
  return [
    `${formatExactBytes(bytesReadBack)} from the medium`,
    elapsedMs > 0
      ? `${formatDuration(elapsedMs)} at ${formatRate((bytesReadBack * 1000) / elapsedMs)}`
      : 'under 1 s',
    sectorsRead === null
      ? 'not counted by the kernel'
      : `the kernel counts ${formatCount(sectorsRead)} sectors`,
  ];
}

function nextTexts({ verdict, findings }: VerifiedCard): string[] {
  if (verdict === 'good') return ['Nothing: the card can be used.'];
  const advice = adviceOnFailure(findings);
  if (advice.length > 0) return advice;
  return verdict === 'bad'
    ? ['Write the card anew; if it differs again, try another card.']
    : ['Run cardwright verify on this card again, to its end.'];
}
