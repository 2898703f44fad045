/** One small change to a source file. `before` and `after` are the changed piece of text. */
export interface Mutant {
  /** relative to the repository */
  file: string;
  /** which mutator made it */
  kind: string;
  start: number;
  end: number;
  before: string;
  after: string;
}

export function applyMutant(text: string, { start, end, after }: Mutant): string {
  return text.slice(0, start) + after + text.slice(end);
}

const shorten = (text: string) => text.replace(/\s+/g, ' ');

/** What names a mutant wherever its line has moved to: file, mutator, the code around it, and the change. */
export function mutantName(text: string, mutant: Mutant): string {
  const lineStart = text.lastIndexOf('\n', mutant.start) + 1;
  const lineEnd = text.indexOf('\n', mutant.end);
  const before = shorten(text.slice(lineStart, lineEnd)).trim();
  const after = shorten(
    text.slice(lineStart, mutant.start) + mutant.after + text.slice(mutant.end, lineEnd),
  ).trim();
  return `${mutant.file}: ${mutant.kind}: ${before} => ${after}`;
}
