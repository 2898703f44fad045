import type { Capture } from './capture.ts';

/** A capture as JSON with one answer a line, sorted, so that two captures of one machine can be compared by eye. */
export function renderCapture(capture: Capture): string {
  const parts = Object.entries(capture).map(([name, value]) => {
    const isTable = typeof value === 'object' && value !== null && name !== 'labels' && name !== 'drivelist';
    if (!isTable) return `${JSON.stringify(name)}: ${JSON.stringify(value)}`;
    const lines = Object.entries(value)
      .sort(([a], [b]) => (a < b ? -1 : 1))
      .map(([key, answer]) => `  ${JSON.stringify(key)}: ${JSON.stringify(answer)}`);
    return `${JSON.stringify(name)}: {\n${lines.join(',\n')}\n}`;
  });
  return `{\n${parts.join(',\n')}\n}\n`;
}
