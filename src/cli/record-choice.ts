import { CardwrightError } from '../contract/cardwright-error.ts';
import { normalizeCid } from '../records/match-card.ts';
import type { RecordView, StoredState } from '../records/record-types.ts';

export interface RecordChoiceOptions {
  set?: string;
  node?: string;
  batch?: string;
  state?: string[];
  card?: string;
  since?: string;
  last?: string;
}

const states: readonly StoredState[] = [
  ...(['running', 'sealing', 'done', 'failed', 'cancelled', 'interrupted', 'unconfirmed'] as const),
];

/** Which records a person wants to see, of those given newest first. */
export type RecordChoice = (records: readonly RecordView[]) => RecordView[];

/** Null where nothing was asked for. @throws CardwrightError `usage.bad-value` */
export function readRecordChoice(options: RecordChoiceOptions): RecordChoice | null {
  const { set, node, card } = options;
  const tests: ((record: RecordView) => boolean)[] = [];
  if (set !== undefined) tests.push((record) => record.set === set);
  if (node !== undefined) tests.push((record) => record.node === node);
  if (card !== undefined) tests.push((record) => isOfCard(record, card));
  if (options.batch !== undefined) {
    const batch = wholeNumber('--batch', options.batch);
    tests.push((record) => record.batch === batch);
  }
  const wanted = (options.state ?? []).map(stateOf);
  if (wanted.length > 0) tests.push(({ state }) => wanted.includes(state));
  if (options.since !== undefined) {
    const sinceMs = dayOf('--since', options.since);
    tests.push(({ begunAtMs }) => begunAtMs >= sinceMs);
  }
  const most = options.last === undefined ? null : wholeNumber('--last', options.last);
  if (tests.length === 0 && most === null) return null;
  return (records) =>
    records.filter((record) => tests.every((test) => test(record))).slice(0, most ?? records.length);
}

/** By what is printed on it or read out of it: the CID or the serial number, in any case of letters. */
function isOfCard({ card }: RecordView, text: string): boolean {
  return normalizeCid(card.cid) === normalizeCid(text) || card.serial?.toLowerCase() === text.toLowerCase();
}

function stateOf(text: string): StoredState {
  const state = states.find((one) => one === text);
  if (state) return state;
  throw badValue('--state', text, states.join(', '));
}

function wholeNumber(option: string, text: string): number {
  if (/^[1-9]\d{0,9}$/.test(text)) return Number(text);
  throw badValue(option, text, 'a whole number from 1 on');
}

/** Its first moment by the station's own clock (ISO 8601, "2026-11-27"). */
function dayOf(option: string, text: string): number {
  const [, year, month, day] = (/^(\d{4})-(\d{2})-(\d{2})$/.exec(text) ?? []).map(Number);
  const date = new Date(year ?? Number.NaN, (month ?? 0) - 1, day);
  if (date.getMonth() + 1 === month && date.getDate() === day) return date.getTime();
  throw badValue(option, text, 'a day such as 2026-11-27');
}

function badValue(option: string, value: string, expected: string): CardwrightError {
  return new CardwrightError('usage.bad-value', { facts: { option, value, expected } });
}
