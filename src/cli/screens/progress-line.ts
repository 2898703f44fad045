import type { JobEvent } from '../../contract/events.ts';
import { formatDuration, formatEstimate } from '../text/durations.ts';
import { labelColumns, type Sheet } from '../text/sheet.ts';
import { formatRate, formatShare, percentOf } from '../text/sizes.ts';
import { cutToWidth, padToWidth, textWidth } from '../text/text-width.ts';
import { phaseLabels } from './phase-words.ts';

export type ProgressEvent = Extract<JobEvent, { type: 'progress' }>;

const leastBar = 10;
const mostBar = 32;

/**
 * One line with a bar, one column narrower than the sheet, since a terminal wraps at its last. The bar gives way
 * first, then what matters least: the mean rate, the time left, the rate, the amount.
 *
 * @param stalledSeconds how long nothing was completed; null while things move
 */
export function progressLine(
  event: ProgressEvent,
  sheet: Sheet,
  stalledSeconds: number | null = null,
): string {
  const room = sheet.width - 1;
  const label = padToWidth(phaseLabels[event.phase], labelColumns);
  const percent = `${percentOf(event.doneBytes, event.totalBytes)} %`.padStart(6);
  const fixed = textWidth(label) + textWidth(percent) + 2;
  const said = progressPhrases(event, stalledSeconds);
  while (said.length > 0 && fixed + leastBar + textWidth(said.join(' · ')) > room) said.pop();
  const facts = said.join(' · ');
  const bar = drawBar(event, Math.min(mostBar, room - fixed - textWidth(facts)));
  return cutToWidth(`${label}${bar}${percent}  ${facts}`, room).trimEnd();
}

/** The amount, the rate, the time left and the mean, in the order of their weight. */
export function progressPhrases(event: ProgressEvent, stalledSeconds: number | null): string[] {
  const { doneBytes, totalBytes, bytesPerSecond, meanBytesPerSecond, secondsLeft } = event;
  const amount = formatShare(doneBytes, totalBytes);
  if (stalledSeconds !== null) return [amount, `no answer for ${formatDuration(stalledSeconds * 1000)}`];
  return [
    amount,
    formatRate(bytesPerSecond),
    secondsLeft === null ? 'time left not known' : `${formatEstimate(secondsLeft)} left`,
    `mean ${formatRate(meanBytesPerSecond)}`,
  ];
}

function drawBar({ doneBytes, totalBytes }: ProgressEvent, columns: number): string {
  if (columns < 1) return '';
  const share = totalBytes > 0 ? Math.min(1, Math.max(0, doneBytes / totalBytes)) : 1;
  const full = Math.floor(share * columns);
  return '━'.repeat(full) + '─'.repeat(columns - full);
}
