const second = 1000;
const minute = 60 * second;
const hour = 60 * minute;

/** Steps that people count time in. */
const stepsMs = [
  ...[1, 2, 5, 10, 15, 30].map((count) => count * second),
  ...[1, 2, 5, 10, 15, 30].map((count) => count * minute),
  ...[1, 2, 6, 12, 24].map((count) => count * hour),
];

/** Places for marks on a line of time from 0 to `lengthMs`, `most` at the most beside the first, in milliseconds. */
export function timeTicks(lengthMs: number, most: number): number[] {
  const step =
    stepsMs.find((one) => lengthMs / one <= most) ?? Math.ceil(lengthMs / most / (24 * hour)) * 24 * hour;
  return Array.from({ length: Math.floor(lengthMs / step) + 1 }, (_, at) => at * step);
}
