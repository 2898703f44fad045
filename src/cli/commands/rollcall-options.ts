import * as os from 'node:os';
import { readSearchRange, type SearchRange } from '../../batch/roll-call/search-range.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';

const units: Readonly<Record<string, number>> = { '': 1000, s: 1000, m: 60_000, min: 60_000, h: 3_600_000 };
const longestWaitMs = 24 * 3_600_000;

function badValue(option: string, value: string, expected: string): CardwrightError {
  return new CardwrightError('usage.bad-value', { facts: { option, value, expected } });
}

/** "90s", "5m", "1h", or seconds; 0 where nothing was given. */
export function readWait(text: string | undefined): number {
  if (text === undefined) return 0;
  const [, amount, unit] = /^([0-9]{1,6})(s|m|min|h)?$/.exec(text) ?? [];
  const waitMs = Number(amount) * (units[unit ?? ''] ?? 0);
  if (amount !== undefined && waitMs <= longestWaitMs) return waitMs;
  throw badValue('--wait', text, 'a time of at most a day, like 90s, 5m or 1h');
}

/** The networks that this machine is in, "192.0.2.1/24", its own loop left out. */
export function attachedNetworks(interfaces = os.networkInterfaces()): string[] {
  return Object.values(interfaces)
    .flatMap((all) => all ?? [])
    .filter(({ internal }) => !internal)
    .flatMap(({ cidr }) => cidr ?? []);
}

export function readSearch(text: string | undefined, attached: readonly string[]): SearchRange | null {
  if (text === undefined) return null;
  const result = readSearchRange(text, attached);
  if (result.ok) return result.range;
  throw badValue('--search', text, result.reason);
}
