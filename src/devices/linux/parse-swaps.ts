import { unescapeOctal } from './octal-escapes.ts';

/** One line of /proc/swaps (proc_swaps(5)). */
export interface SwapLine {
  path: string;
  kind: 'partition' | 'file';
}

/** Parses /proc/swaps. The heading is skipped; anything else without the published shape goes to `odd`. */
export function parseSwaps(text: string): { swaps: SwapLine[]; odd: string[] } {
  const swaps: SwapLine[] = [];
  const odd: string[] = [];
  for (const line of text.split('\n')) {
    if (line.trim() === '' || /^Filename\s+Type\s/.test(line)) continue;
    const match = line.match(/^(\/\S*)\s+(?:\\040\(deleted\)\s+)?(partition|file)\s+\d+/);
    const [, path, kind] = match ?? [];
    if (path !== undefined && (kind === 'partition' || kind === 'file')) {
      swaps.push({ path: unescapeOctal(path), kind });
    } else {
      odd.push(line);
    }
  }
  return { swaps, odd };
}
