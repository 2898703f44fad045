import { readFileSync } from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';

/**
 * The number of a group by its name (group(5)); root's own where none is named.
 *
 * @throws CardwrightError `daemon.no-such-group`
 */
export function groupNumber(name: string | null, groups = readFileSync('/etc/group', 'utf8')): number {
  if (name === null) return 0;
  const line = groups.split('\n').find((one) => one.startsWith(`${name}:`));
  const number = Number(line?.split(':')[2] || Number.NaN);
  if (Number.isInteger(number)) return number;
  throw new CardwrightError('daemon.no-such-group', { facts: { group: name } });
}
