import type { Disk } from '../../contract/devices.ts';
import { escapeText } from '../../contract/escape-text.ts';
import type { GuardResult } from '../../contract/verdict.ts';
import { entry, labelColumns, type Sheet } from '../text/sheet.ts';
import { formatSize } from '../text/sizes.ts';
import { padToWidth, textWidth } from '../text/text-width.ts';
import { cardName, contentsOf, readerName, wearPhrases } from './card-words.ts';
import { findingLines } from './finding-lines.ts';

export interface CardToApprove {
  disk: Disk;
  result: GuardResult;
  code: string;
  /** the volume's name that has to be typed as well; null where the code alone is enough */
  volumeName: string | null;
  lastWritten: string | null;
  /** the volume that will be made at the card's far end; left out or null where none is */
  seed?: { startByte: number; sizeBytes: number } | null;
  /** false where files are only added to a card that was written before */
  losesAll: boolean;
}

/** The card and what will be lost on it; the question itself is `approvalQuestion`. */
export function cardScreen(card: CardToApprove, sheet: Sheet): string[] {
  const { disk, result, lastWritten } = card;
  const contents = contentsOf(disk);
  const known = contents.length > 0 ? contents : ['what is on it could not be read'];
  return [
    ...entry(
      sheet,
      'card',
      [cardName(disk), `in reader ${readerName(disk)}`, formatSize(disk.sizeBytes), escapeText(disk.node)],
      { tone: 'strong' },
    ),
    ...(card.losesAll
      ? entry(sheet, 'lost', [...known, 'all of this will be lost'], { tone: 'care' })
      : entry(sheet, 'changed', [...known, 'the node files are replaced, the rest stays'], { tone: 'care' })),
    ...entry(sheet, 'seed', card.seed ? seedPhrases(card.seed) : []),
    ...entry(sheet, 'written', lastWritten === null ? [] : `by us, ${lastWritten}`),
    ...entry(sheet, 'wear', disk.wear === null ? [] : wearPhrases(disk.wear)),
    ...findingLines(sheet, result.findings),
  ];
}

function seedPhrases({ startByte, sizeBytes }: { startByte: number; sizeBytes: number }): string[] {
  return [
    `CIDATA (vfat, ${formatSize(sizeBytes)}) for the node files will be made at the card’s far end`,
    `at ${formatSize(startByte)} of the card`,
  ];
}

/** The question; what is typed goes behind its last line. */
export function approvalQuestion(card: Pick<CardToApprove, 'code' | 'volumeName'>, sheet: Sheet): string[] {
  const { code, volumeName } = card;
  const wanted = volumeName === null ? code : `${code}:${escapeText(volumeName, 60)}`;
  const label = padToWidth(sheet.ink('care', 'approve'), labelColumns);
  const margin = ' '.repeat(labelColumns);
  const answer = sheet.ink('strong', wanted);
  const line = `${label}type ${answer} to go on, anything else to stop: `;
  return textWidth(line) <= sheet.width
    ? [line]
    : [`${label}type`, margin + answer, `${margin}to go on, anything else to stop: `];
}
