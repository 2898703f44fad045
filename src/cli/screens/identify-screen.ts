import { type CardState, cardStateText } from '../../contract/card-state.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import { escapeText } from '../../contract/escape-text.ts';
import type { Finding } from '../../contract/finding.ts';
import type { NodeIdentity } from '../../identity/identity-file.ts';
import type { FileState } from '../../identity/listed-files.ts';
import type { Origin } from '../../job/station/identify-card.ts';
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
  /** what its identity file says; null where there is none */
  onTheCard: NodeIdentity | null;
  /** whether this station made that; null where the card says nothing */
  origin: Origin | null;
  /** how the files that were put there are now; null where no list tells */
  files: readonly { path: string; state: FileState }[] | null;
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
    ...verdictLines(card, sheet),
    ...entry(sheet, 'card', [
      `${cardName(identity)} in reader ${readerName(identity)}`,
      formatSize(identity.sizeBytes),
    ]),
    ...entry(sheet, 'on it', contents === null ? 'could not be read' : [...contents]),
    ...(best ? knownLines(best, sheet) : []),
    ...originLines(card, sheet),
    ...fileLines(card, sheet),
    ...findingLines(sheet, card.findings),
    ...entries(sheet, 'next', nextTexts(card, best), { tone: 'strong' }),
  ];
}

/** A card's own number is proof, and so is what we wrote on it; an identity file that was altered is neither. */
function isSure(known: KnownCard, origin: Origin | null): boolean {
  return known.matchedBy === 'cid' || (known.matchedBy === 'identity' && origin !== 'altered');
}

const ofSet = (set: string | null) => (set === null ? '' : ` of ${escapeText(set)}`);

function verdictLines({ known: [best], onTheCard, origin }: IdentifiedCard, sheet: Sheet): string[] {
  if (best) {
    const name = `${escapeText(best.node ?? best.image ?? 'a card without a name')}${ofSet(best.set)}`;
    return isSure(best, origin)
      ? entry(sheet, 'known', `this is ${name} (record ${best.recordId})`, { tone: 'good' })
      : entry(sheet, 'perhaps', `this may be ${name} (record ${best.recordId})`, { tone: 'care' });
  }
  if (!onTheCard) return entry(sheet, 'unknown', 'no record speaks of this card', { tone: 'care' });
  const name = `${escapeText(onTheCard.node)}${ofSet(onTheCard.set)}`;
  return entry(sheet, 'perhaps', `this card says that it is ${name}, and no record here speaks of it`, {
    tone: 'care',
  });
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

const originText: Record<Origin, string> = {
  ours: 'this station: the identity file is the one that the record knows',
  altered: 'nobody can say: the identity file is not the one that its record knows',
  unproven: 'this station, it says; its record keeps nothing to prove that by',
  'not-ours': 'another station, or one whose records are not here',
};

function originLines({ onTheCard, origin }: IdentifiedCard, sheet: Sheet & { timeZone?: string }): string[] {
  if (!onTheCard || !origin) return [];
  const itself = `cardwright ${onTheCard.tool}, ${formatMoment(Date.parse(onTheCard.writtenAt), sheet.timeZone)}`;
  return entry(sheet, 'made by', [originText[origin], origin === 'ours' ? null : `it says: ${itself}`], {
    ...(origin === 'ours' ? {} : { tone: 'care' as const }),
  });
}

const shownPaths = 8;

function fileLines({ files }: IdentifiedCard, sheet: Sheet): string[] {
  if (!files) return [];
  const pathsIn = (wanted: FileState) =>
    files.filter(({ state }) => state === wanted).map(({ path }) => path);
  const [good, changed, gone, unproven] = [
    pathsIn('as-written'),
    pathsIn('changed'),
    pathsIn('gone'),
    pathsIn('unproven'),
  ];
  const texts = [
    good.length > 0 ? `${countOf(good)} as written` : null,
    unproven.length > 0 ? `${countOf(unproven)} not to be judged without the record` : null,
    changed.length > 0 ? `changed: ${named(changed)}` : null,
    gone.length > 0 ? `gone: ${named(gone)}` : null,
  ].filter((text) => text !== null);
  const isWorse = changed.length + gone.length > 0;
  return entries(sheet, 'files', texts, isWorse ? { tone: 'care' } : {});
}

const countOf = ({ length }: readonly string[]) => `${length} ${length === 1 ? 'file' : 'files'}`;

function named(paths: readonly string[]): string {
  const shown = paths.slice(0, shownPaths).map((path) => escapeText(path));
  const more = paths.length - shown.length;
  return more > 0 ? `${shown.join(', ')} and ${more} more` : shown.join(', ');
}

function nextTexts({ findings, files, origin }: IdentifiedCard, best: KnownCard | undefined): string[] {
  const advice = adviceOn(findings, ['fail', 'refuse', 'ask']);
  if (advice.length > 0) return advice;
  const isAltered = files?.some(({ state }) => state === 'changed' || state === 'gone') ?? false;
  if (isAltered) {
    return ['Somebody changed its files since. If that was not you, write the card anew before you use it.'];
  }
  if (!best) return ['Nothing is known against it: look at what is on it before you write it.'];
  return isSure(best, origin)
    ? ['To see whether it still is as it was made, run cardwright verify on it.']
    : ['Do not rely on this: run cardwright verify, which reads what is on the card.'];
}
