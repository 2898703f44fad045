import { Lexer } from 'yaml';

/** Far beyond any plan: a thousand nodes with every key have about half of it. */
const mostLexemes = 50_000;
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
    while (levels.length > 0 && (levels.at(-1) ?? 0) >= indent) levels.pop();
    levels.push(indent);
    most = Math.max(most, levels.length);
  }
  return most;
}

/**
 * Looks through a text before it is parsed: why it would cost more time or depth than any plan, or null. The parser
 * is linear, but a megabyte made for it keeps it busy for half a minute, and deep nesting exhausts its stack.
 */
export function whyTooComplex(text: string): string | null {
  const tooDeep = `it is nested more than ${mostNested} deep`;
  if (indentedLevels(text) > mostNested) return tooDeep;
  let lexemes = 0;
  let flowDepth = 0;
  let onThisLine = 0;
  for (const lexeme of new Lexer().lex(text)) {
    // A wrong escape in a quoted text costs the parser as much as a word.
    lexemes += 1 + (lexeme.length > 1 ? lexeme.split('\\').length - 1 : 0);
    if (lexemes > mostLexemes) return `it has more than ${mostLexemes} words and signs`;
    if (opens.has(lexeme)) flowDepth += 1;
    if (closes.has(lexeme)) flowDepth = Math.max(0, flowDepth - 1);
    if (blockIndicators.has(lexeme)) onThisLine += 1;
    if (lexeme.includes('\n')) onThisLine = 0;
    if (flowDepth > mostNested || onThisLine > mostNested) return tooDeep;
  }
  return null;
}
