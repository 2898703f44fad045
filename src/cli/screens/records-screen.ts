import type { CardState } from '../../contract/card-state.ts';
import { cardStateText } from '../../contract/card-state.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import { escapeText } from '../../contract/escape-text.ts';
import type { Finding } from '../../contract/finding.ts';
import type { Phase } from '../../contract/job.ts';
import { formatDay, formatDuration, formatMoment } from '../text/durations.ts';
import type { Tone } from '../text/ink.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatCount, formatExactBytes, formatRate, formatSize } from '../text/sizes.ts';
import { table } from '../text/table.ts';
import { cardName, readerName } from './card-words.ts';
import { adviceOnFailure, damagedRanges, damagePlaces, isDamagedRange } from './damage-places.ts';
import { findingLines } from './finding-lines.ts';
import { phaseLabels } from './phase-words.ts';

/** What both record screens need of a record; the store's own view has all of it. */
export interface RecordToShow {
  id: number;
  kind: 'write' | 'personalize';
  set: string | null;
  node: string | null;
  card: CardIdentity;
  image: { path: string; packedSha256: string | null; sizeBytes: number | null } | null;
  state: RecordState;
  cardState: CardState | null;
  code: string | null;
  begunAtMs: number;
  endedAtMs: number | null;
  phase: Phase | null;
  phases: readonly { phase: Phase; elapsedMs: number | null; bytes: number | null }[];
  findings: readonly Finding[];
  checks: readonly { atMs: number; verdict: 'good' | 'bad' | 'unfinished'; bytesReadBack: number }[];
  bytesReadBack: number | null;
  sectorsRead: number | null;
  identity: { hostKeys: readonly { publicKey: string; fingerprint: string }[] };
  cardMapRoot: string | null;
  kernelLines: readonly string[];
  toolVersion: string;
}

export type RecordState =
  | 'running'
  | 'sealing'
  | 'done'
  | 'failed'
  | 'cancelled'
  | 'interrupted'
  | 'unconfirmed';

export interface RecordsOptions extends Sheet {
  /** null shows the year with every date */
  nowMs: number | null;
  timeZone?: string;
}

/** A word that fits before a screen, the state in a sentence, and its colour. */
const states: Record<RecordState, { word: string; says: string; tone: Tone }> = {
  running: { word: 'running', says: 'is running', tone: 'care' },
  sealing: { word: 'sealing', says: 'is sealing', tone: 'care' },
  done: { word: 'done', says: 'is done', tone: 'good' },
  failed: { word: 'failed', says: 'failed', tone: 'bad' },
  cancelled: { word: 'cancelled', says: 'was cancelled', tone: 'care' },
  interrupted: { word: 'cut off', says: 'was interrupted', tone: 'bad' },
  unconfirmed: { word: 'unsettled', says: 'is unconfirmed', tone: 'care' },
};

/** All records, one a line, as they are given. */
export function recordsScreen(records: readonly RecordToShow[], options: RecordsOptions): string[] {
  if (records.length === 0) return ['There are no records yet: no card was written from here.'];
  const columns = [
    { head: 'record', align: 'right' as const },
    { head: 'began' },
    { head: 'node' },
    { head: 'state' },
    { head: 'reader' },
    { head: 'card' },
  ];
  const rows = records.map((record) => ({
    cells: [
      `${record.id}`,
      formatDay(record.begunAtMs, options.nowMs, options.timeZone),
      record.node ?? '',
      { text: record.state, tone: states[record.state].tone },
      readerName(record.card),
      cardName(record.card),
    ],
  }));
  const unsettled = records.filter(({ state }) => state === 'unconfirmed').map(({ id }) => id);
  const hint =
    unsettled.length > 0
      ? `Run cardwright verify on the card of record ${unsettled.join(', ')} to settle it.`
      : [];
  return [...table(options, columns, rows), ...entry(options, 'next', hint, { tone: 'strong' })];
}

/** One record, whole. */
export function recordScreen(record: RecordToShow, options: RecordsOptions): string[] {
  const { card, findings } = record;
  const moment = (ms: number) => formatMoment(ms, options.timeZone);
  const others = findings.filter((found) => !isDamagedRange(found));
  const state = record.cardState;
  const { word, says, tone } = states[record.state];
  return [
    ...entry(options, word, [`record ${record.id} ${says}`, ...subjectPhrases(record)], { tone }),
    ...entry(options, 'card', [
      cardName(card),
      `reader ${readerName(card)}`,
      formatExactBytes(card.sizeBytes),
    ]),
    ...entry(options, '', card.cid === null ? [] : `CID ${escapeText(card.cid)}`),
    ...imageLines(record, options),
    ...entry(options, 'began', [
      moment(record.begunAtMs),
      record.endedAtMs === null ? 'no end recorded' : `ended ${moment(record.endedAtMs)}`,
    ]),
    ...phaseTable(record, options),
    ...entry(options, 'read back', readBackPhrases(record)),
    ...hostKeyEntries(record, options),
    ...entry(
      options,
      'digest',
      record.cardMapRoot === null ? [] : [record.cardMapRoot, 'over all digests of the card as it left us'],
    ),
    ...findingLines(options, others),
    ...entries(options, 'where', damagePlaces(damagedRanges(findings), [])),
    ...entries(options, 'checks', checkTexts(record, moment)),
    ...entries(
      options,
      'kernel',
      record.kernelLines.map((line) => escapeText(line, 300)),
    ),
    ...entry(options, 'made by', `cardwright ${escapeText(record.toolVersion)}`),
    ...entry(options, 'code', record.code === null ? [] : escapeText(record.code)),
    ...entry(options, 'now', state === null ? 'the job is still running' : cardStateText[state]),
    ...entries(options, 'next', nextTexts(record), { tone: 'strong' }),
  ];
}

function subjectPhrases({ node, set, kind }: RecordToShow): string[] {
  const job = kind === 'write' ? 'image written' : 'node files replaced';
  if (node === null) return [job];
  return [`${escapeText(node)}${set === null ? '' : ` of ${escapeText(set)}`}`, job];
}

function imageLines({ image }: RecordToShow, sheet: Sheet): string[] {
  if (image === null) return [];
  return [
    ...entry(sheet, 'image', [
      escapeText(image.path),
      image.sizeBytes === null ? 'size not known' : `${formatSize(image.sizeBytes)} on the card`,
    ]),
    ...entry(
      sheet,
      'sha256',
      image.packedSha256 === null ? [] : [image.packedSha256, 'of the file as stored'],
    ),
  ];
}

function hostKeyEntries({ identity }: RecordToShow, sheet: Sheet): string[] {
  return identity.hostKeys.flatMap(({ publicKey, fingerprint }, at) =>
    entry(sheet, at === 0 ? 'host key' : '', [
      escapeText(fingerprint),
      escapeText(publicKey.split(' ')[0] ?? '', 40),
    ]),
  );
}

function phaseTable({ phases }: RecordToShow, sheet: Sheet): string[] {
  if (phases.length === 0) return [];
  const columns = [
    { head: 'phase' },
    { head: 'time', align: 'right' as const },
    { head: 'bytes', align: 'right' as const },
    { head: 'rate', align: 'right' as const },
  ];
  const rows = phases.map(({ phase, elapsedMs, bytes }) => ({
    cells: [
      phaseLabels[phase],
      elapsedMs === null ? 'not ended' : formatDuration(elapsedMs),
      bytes ? formatCount(bytes) : '',
      bytes && elapsedMs ? formatRate((bytes * 1000) / elapsedMs) : '',
    ],
  }));
  return table(sheet, columns, rows);
}

function readBackPhrases({ bytesReadBack, sectorsRead }: RecordToShow): string[] {
  if (bytesReadBack === null) return ['nothing was read back'];
  return [
    formatExactBytes(bytesReadBack),
    sectorsRead === null
      ? 'not counted by the kernel'
      : `the kernel counts ${formatCount(sectorsRead)} sectors`,
  ];
}

function checkTexts({ checks }: RecordToShow, moment: (ms: number) => string): string[] {
  return checks.map(({ atMs, verdict, bytesReadBack }) => {
    const words = { good: 'as made', bad: 'differs', unfinished: 'not read to the end' }[verdict];
    return `${moment(atMs)}: ${words}, ${formatExactBytes(bytesReadBack)} read`;
  });
}

function nextTexts({ state, findings }: RecordToShow): string[] {
  const advice = adviceOnFailure(findings);
  if (advice.length > 0 && state !== 'done') return advice;
  switch (state) {
    case 'done':
      return ['Nothing: to see whether the card still is as it was made, run cardwright verify on it.'];
    case 'unconfirmed':
    case 'sealing':
      return ['Run cardwright verify on this card before you use it.'];
    case 'running':
      return ['Wait until the job has ended.'];
    default:
      return ['Start the job anew; until then do not use this card.'];
  }
}
