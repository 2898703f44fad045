/** A time span as people say it: "21 s", "1 min 29 s", "2 h 5 min", "3 d 4 h". */
export function formatDuration(elapsedMs: number): string {
  const seconds = Math.round(elapsedMs / 1000);
  if (elapsedMs > 0 && seconds < 1) return 'under 1 s';
  if (seconds < 60) return `${seconds} s`;
  if (seconds < 3600) return twoUnits(seconds, 60, 'min', 's');
  const minutes = Math.round(seconds / 60);
  if (minutes < 24 * 60) return twoUnits(minutes, 60, 'h', 'min');
  return twoUnits(Math.round(minutes / 60), 24, 'd', 'h');
}

function twoUnits(amount: number, size: number, large: string, small: string): string {
  const rest = amount % size;
  const whole = `${(amount - rest) / size} ${large}`;
  return rest === 0 ? whole : `${whole} ${rest} ${small}`;
}

/** A forecast, rounded as far as it can be known: "about 31 s", "about 4 min 20 s", "about 2 h 5 min". */
export function formatEstimate(secondsLeft: number): string {
  const seconds = secondsLeft < 100 ? Math.ceil(secondsLeft) : Math.round(secondsLeft / 10) * 10;
  return seconds < 1 ? 'a moment' : `about ${formatDuration(seconds * 1000)}`;
}

/** "3 Nov 2025"; the year is left out where it is that of `nowMs`. An invalid time is "unknown date". */
export function formatDay(time: string | number, nowMs: number | null = null, timeZone?: string): string {
  const zone = timeZone === undefined ? {} : { timeZone };
  const year = (at: Date) => new Intl.DateTimeFormat('en-GB', { year: 'numeric', ...zone }).format(at);
  const date = new Date(time);
  if (Number.isNaN(date.getTime())) return 'unknown date';
  const day = new Intl.DateTimeFormat('en-GB', { day: 'numeric', month: 'short', ...zone }).format(date);
  return nowMs !== null && year(new Date(nowMs)) === year(date) ? day : `${day} ${year(date)}`;
}

/** "3 Nov 2025, 14:05" in the station's own time zone, or the one given. */
export function formatMoment(time: string | number, timeZone?: string): string {
  const date = new Date(time);
  if (Number.isNaN(date.getTime())) return 'unknown time';
  const clock = new Intl.DateTimeFormat('en-GB', {
    hour: '2-digit',
    minute: '2-digit',
    ...(timeZone === undefined ? {} : { timeZone }),
  }).format(date);
  return `${formatDay(time, null, timeZone)}, ${clock}`;
}
