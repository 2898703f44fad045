/** Distance between two words in single steps: one letter more, less or other, or two neighbours exchanged. */
function distance(a: string, b: string): number {
  const rows: number[][] = [Array.from({ length: b.length + 1 }, (_, at) => at)];
  const cell = (row: number, column: number) => rows[row]?.[column] ?? Number.POSITIVE_INFINITY;
  for (let i = 1; i <= a.length; i++) {
    const row = [i];
    rows.push(row);
    for (let j = 1; j <= b.length; j++) {
      const isSame = a[i - 1] === b[j - 1];
      const isExchanged = i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1];
      row.push(
        Math.min(
          cell(i - 1, j) + 1,
          cell(i, j - 1) + 1,
          cell(i - 1, j - 1) + (isSame ? 0 : 1),
          isExchanged ? cell(i - 2, j - 2) + 1 : Number.POSITIVE_INFINITY,
        ),
      );
    }
  }
  return cell(a.length, b.length);
}

/** Capitals, hyphens and underscores are the commonest slips and count for nothing. */
const plain = (word: string) => word.toLowerCase().replace(/[-_ ]/g, '');

/** The candidate that a mistyped word most likely stands for; null where none is near (a third of its letters). */
export function nearestWord(word: string, candidates: readonly string[]): string | null {
  const wanted = plain(word);
  if (wanted.length === 0 || wanted.length > 64) return null;
  const most = Math.max(1, Math.floor(wanted.length / 3));
  const [best] = candidates
    .map((candidate) => ({ candidate, steps: distance(wanted, plain(candidate)) }))
    .filter(({ steps }) => steps <= most)
    .sort((a, b) => a.steps - b.steps);
  return best?.candidate ?? null;
}

/** " (did you mean slot?)", or nothing. */
export function hintFor(word: string, candidates: readonly string[]): string {
  const nearest = nearestWord(word, candidates);
  return nearest === null ? '' : ` (did you mean ${nearest}?)`;
}
