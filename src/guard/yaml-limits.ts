import { Lexer } from 'yaml';

const mostNested = 40;

const opens = new Set(['[', '{']);
const closes = new Set([']', '}']);
/** "- " and "? ", of which one line can hold any number, each one level deeper */
const blockIndicators = new Set(['-', '?']);

/** How many levels of ever deeper lines there are at most at once. */
function indentedLevels(text: string): number {
  const levels: number[] = [];
  let most = 0;
  for (const line of text.split('\n')) {
    const indent = line.search(/[^ ]/);
    if (indent < 0) continue;
    levels.length = levels.findLastIndex((level) => level < indent) + 1;
    levels.push(indent);
    most = Math.max(most, levels.length);
  }
  return most;
}

/**
 * Looks through a YAML text before it is parsed: why it would cost more time or depth than any that was written in
 * good faith, or null. A megabyte made for the parser keeps it busy for minutes (unique keys are compared each with
 * each), and deep nesting exhausts its stack, which may end the whole process.
 * @param mostLexemes words and signs that a text of its kind may have
 */
export function whyTooComplex(text: string, mostLexemes: number): string | null {
  const tooDeep = `it is nested more than ${mostNested} deep`;
  if (indentedLevels(text) > mostNested) return tooDeep;
  let lexemes = 0;
  let flowDepth = 0;
  let onThisLine = 0;
  for (const lexeme of new Lexer().lex(text)) {
    // A wrong escape in a quoted text costs the parser as much as a word.
    lexemes += lexeme.split('\\').length;
    if (lexemes > mostLexemes) return `it has more than ${mostLexemes} words and signs`;
    if (opens.has(lexeme)) flowDepth += 1;
    if (closes.has(lexeme)) flowDepth = Math.max(0, flowDepth - 1);
    if (blockIndicators.has(lexeme)) onThisLine += 1;
    if (lexeme.includes('\n')) onThisLine = 0;
    if (flowDepth > mostNested || onThisLine > mostNested) return tooDeep;
  }
  return null;
}
