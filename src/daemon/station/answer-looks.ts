import { CardwrightError } from '../../contract/cardwright-error.ts';
import { silentPort } from '../../contract/events.ts';
import { identifyCard } from '../../job/station/identify-card.ts';
import { surveyDisks } from '../../job/station/survey-disks.ts';
import { lastWrittenOn } from '../../job/station/take-card.ts';
import { includesRight, type Right } from '../contract/rights.ts';
import type { Answers, OrderOf } from '../contract/station-calls.ts';
import type { StationParts } from './station-parts.ts';

/** Who asks, as the front tells it. */
export interface Caller {
  right: Right;
  /** SHA-256 (hex) of the caller's own secret */
  caller: string;
}

/** Every disk with its verdict; codes only for those who may write. */
export async function answerLook(parts: StationParts, who: Caller): Promise<Answers['look']> {
  const { station, records, codes } = parts;
  const { graph, disks } = await surveyDisks(station, null);
  const looks: Answers['look']['looks'] = [];
  for (const { disk, result } of disks) {
    const isOpen = result.verdict !== 'refused' && includesRight(who.right, 'write');
    const code = isOpen ? await codes.show(disk, station.reader, who.caller) : null;
    looks.push({ result, code, lastWritten: lastWrittenOn(records, disk) });
  }
  return { graph, looks };
}

export function answerIdentify(
  { station, records }: StationParts,
  { device }: OrderOf<'identify'>,
): Promise<Answers['identify']> {
  return identifyCard({ station, records, port: silentPort }, device);
}

/** @throws CardwrightError `records.no-such-record` */
export function answerRecord({ records }: StationParts, { id }: OrderOf<'record'>): Answers['record'] {
  const record = records.readRecord(id);
  if (!record) throw new CardwrightError('records.no-such-record', { facts: { record: id } });
  return { record };
}
