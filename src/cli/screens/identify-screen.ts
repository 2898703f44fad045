import { type CardState, cardStateText } from '../../contract/card-state.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import { escapeText } from '../../contract/escape-text.ts';
import type { Finding } from '../../contract/finding.ts';
import { formatMoment } from '../text/durations.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatSize } from '../text/sizes.ts';
import { cardName, readerName } from './card-words.ts';
import { adviceOn, findingLines } from './finding-lines.ts';

/** Which node a card is, and how that is known. */
export interface KnownCard {
  node: string | null;
  set: string | null;
  image: string | null;
  recordId: number;
  writtenAtMs: number;
  state: CardState;
  /** fingerprints */
  hostKeys: readonly string[];
  /** `identity` (written on the card) and `cid` name this very card; the others are hints, told as such */
  matchedBy: 'identity' | 'cid' | 'serial' | 'place';
}

export interface IdentifiedCard {
  identity: CardIdentity;
  /** what the records know, the surest first; empty for a card that we never made */
  known: readonly KnownCard[];
  /** what is on it: volumes in words; null where it could not be read */
  contents: readonly string[] | null;
  findings: readonly Finding[];
}

const evidence: Record<KnownCard['matchedBy'], string> = {
  identity: 'the record number written on the card',
  cid: "the card's own serial number (CID)",
  serial: "the serial number, which may be the reader's",
  place: 'the same reader and the same size, nothing more',
};

/** Which node, set, image and record a card is; a likeness is never told as a fact. */
export function identifyScreen(card: IdentifiedCard, sheet: Sheet & { timeZone?: string }): string[] {
  const [best] = card.known;
  const { identity, contents } = card;
  return [
    ...verdictLines(best, sheet),
    ...entry(sheet, 'card', [
      `${cardName(identity)} in reader ${readerName(identity)}`,
      formatSize(identity.sizeBytes),
    ]),
    ...entry(sheet, 'on it', contents === null ? 'could not be read' : [...contents]),
    ...(best ? knownLines(best, sheet) : []),
    ...findingLines(sheet, card.findings),
    ...entries(sheet, 'next', nextTexts(card, best), { tone: 'strong' }),
  ];
}

function isSure(known: KnownCard): boolean {
  return known.matchedBy === 'identity' || known.matchedBy === 'cid';
}

function verdictLines(best: KnownCard | undefined, sheet: Sheet): string[] {
  if (!best) return entry(sheet, 'unknown', 'no record speaks of this card', { tone: 'care' });
  const name = escapeText(best.node ?? best.image ?? 'a card without a name');
  const set = best.set === null ? '' : ` of ${escapeText(best.set)}`;
  return isSure(best)
    ? entry(sheet, 'known', `this is ${name}${set} (record ${best.recordId})`, { tone: 'good' })
    : entry(sheet, 'perhaps', `this may be ${name}${set} (record ${best.recordId})`, { tone: 'care' });
}

function knownLines(known: KnownCard, sheet: Sheet & { timeZone?: string }): string[] {
  return [
    ...entry(sheet, 'known by', evidence[known.matchedBy]),
    ...entry(sheet, 'written', [
      formatMoment(known.writtenAtMs, sheet.timeZone),
      known.image === null ? null : `from ${escapeText(known.image)}`,
    ]),
    ...entries(
      sheet,
      'host key',
      known.hostKeys.map((key) => escapeText(key)),
    ),
    ...entry(sheet, 'state', `when its job ended: ${cardStateText[known.state]}`),
  ];
}

function nextTexts({ findings }: IdentifiedCard, best: KnownCard | undefined): string[] {
  const advice = adviceOn(findings, ['fail', 'refuse', 'ask']);
  if (advice.length > 0) return advice;
  if (!best) return ['Nothing is known against it: look at what is on it before you write it.'];
  return isSure(best)
    ? ['To see whether it still is as it was made, run cardwright verify on it.']
    : ['Do not rely on this: run cardwright verify, which reads what is on the card.'];
}
