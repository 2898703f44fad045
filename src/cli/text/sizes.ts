const units = ['kB', 'MB', 'GB', 'TB', 'PB'] as const;

interface Scaled {
  value: number;
  decimals: number;
  unit: string;
}

/** Three significant digits in powers of 1000; steps up a unit where rounding would show "1000". */
function scale(amount: number): Scaled {
  let value = amount / 1000;
  let unit = 0;
  while (value >= 999.5 && unit < units.length - 1) {
    value /= 1000;
    unit++;
  }
  return { value, decimals: value >= 99.95 ? 0 : value >= 9.995 ? 1 : 2, unit: units[unit] ?? '' };
}

/** A size as packaging gives it, decimal: "31.9 GB", "486 MB", "512 bytes". No decimals where none are needed. */
export function formatSize(bytes: number): string {
  if (bytes < 1000) return `${bytes} ${bytes === 1 ? 'byte' : 'bytes'}`;
  const { value, decimals, unit } = scale(bytes);
  return `${Number.isInteger(value) ? value : value.toFixed(decimals)} ${unit}`;
}

/** "1,873,805,312 bytes", where the exact number matters. */
export function formatExactBytes(bytes: number | bigint): string {
  return `${formatCount(bytes)} ${Number(bytes) === 1 ? 'byte' : 'bytes'}`;
}

/** A whole number with separators: "1,873,805,312". */
export function formatCount(count: number | bigint): string {
  return count.toLocaleString('en-US');
}

/** "1.21 of 1.87 GB": both in the unit of the total; less than all never looks like all. */
export function formatShare(doneBytes: number, totalBytes: number): string {
  if (totalBytes < 1000) return `${doneBytes} of ${formatSize(totalBytes)}`;
  const { value, decimals, unit } = scale(totalBytes);
  const places = 10 ** decimals;
  const total = Math.round(value * places);
  const done = Math.min(Math.floor((doneBytes / totalBytes) * value * places), total - 1);
  const shown = (doneBytes >= totalBytes ? total : done) / places;
  return `${shown.toFixed(decimals)} of ${(total / places).toFixed(decimals)} ${unit}`;
}

/** Whole per cent, cut: 100 only when all is done. */
export function percentOf(doneBytes: number, totalBytes: number): number {
  if (doneBytes >= totalBytes) return 100;
  return Math.min(99, Math.max(0, Math.floor((doneBytes * 100) / totalBytes)));
}

/** "21.4 MB/s" */
export function formatRate(bytesPerSecond: number): string {
  if (bytesPerSecond < 1000) return `${Math.round(bytesPerSecond)} bytes/s`;
  const { value, decimals, unit } = scale(bytesPerSecond);
  return `${value.toFixed(decimals)} ${unit}/s`;
}
