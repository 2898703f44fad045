import type { Finding } from '../../contract/finding.ts';
import type { DamagedRange, ImageLayout } from '../../contract/job.ts';
import { formatCount, formatSize } from '../text/sizes.ts';
import { adviceOn } from './finding-lines.ts';

const rangeCode = 'job.damaged-range';

/** Places come as findings of their own; here they are told from the rest. */
export function isDamagedRange(finding: Finding): boolean {
  return finding.code === rangeCode;
}

export function damagedRanges(findings: readonly Finding[]): DamagedRange[] {
  return findings.filter(isDamagedRange).map(({ facts }) => ({
    offset: Number(facts.offset ?? 0),
    length: Number(facts.length ?? 0),
    partition: Number(facts.partition ?? 0),
  }));
}

const mostPlaces = 8;

/** Where the damage lies, a text a place: "byte 1,207,959,552: 1.05 MB, partition 2, 1.12 GB in". */
export function damagePlaces(ranges: readonly DamagedRange[], layout: ImageLayout): string[] {
  const places = ranges.slice(0, mostPlaces).map((range) => {
    const home = layout.find((part) => part.number === range.partition);
    const depth = home ? `, ${formatSize(Math.max(0, range.offset - home.startByte))} in` : '';
    const where = range.partition > 0 ? `partition ${range.partition}${depth}` : 'outside the partitions';
    return `byte ${formatCount(range.offset)}: ${formatSize(range.length)}, ${where}`;
  });
  const rest = ranges.length - places.length;
  return rest > 0 ? [...places, `and ${formatCount(rest)} more; the record lists them`] : places;
}

/** Whether somebody read the damage again and could say what kind it is. */
export function isClassified(findings: readonly Finding[]): boolean {
  return findings.some(({ code }) => code.startsWith('job.damage-'));
}

/**
 * What to do about what failed. The kind of damage says it best; that there is damage, and where, would only add
 * general advice that may contradict it.
 */
export function adviceOnFailure(findings: readonly Finding[]): string[] {
  const telling = findings.filter(
    (found) => !isDamagedRange(found) && !(isClassified(findings) && found.code === 'job.mismatch'),
  );
  return adviceOn(telling, ['fail', 'refuse']);
}
