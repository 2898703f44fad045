import type { CatalogueEntry } from './catalogue/entry.ts';
import { catalogue } from './catalogue/index.ts';
import { exitStatus } from './exit-status.ts';

const intro = `# Errors and findings

Made from \`src/contract/catalogue/\`; a test holds this page to it, so change the catalogue and not the page.

Every result of a rule, a check or a failed operation has a code that never changes its meaning. Words in braces are
filled in with what was found. "Exit" is the exit status of a command that ends with this code; where a code stands
in a list of findings, the command's own code decides. Notes end with 0: nothing follows from them. A code marked
"retired" is no longer produced, and is never used again for something else.
`;

/** The page that lists every code, a table a room, in Markdown. Ends with a newline. */
export function catalogueMarkdown(): string {
  const entries: [string, CatalogueEntry][] = Object.entries(catalogue);
  const rooms = [...new Set(entries.map(([code]) => roomOf(code)))];
  const sections = rooms.map((room) => {
    const rows = entries.filter(([code]) => roomOf(code) === room).map(([code, entry]) => row(code, entry));
    return [
      `## ${room}`,
      '',
      '| Code | What it says | Exit | What to do |',
      '| --- | --- | --- | --- |',
      ...rows,
      '',
    ];
  });
  return [intro, ...sections.flat()].join('\n');
}

function roomOf(code: string): string {
  return code.split('.')[0] ?? code;
}

function row(code: string, { exit, what, next, retired }: CatalogueEntry): string {
  const cells = [`\`${code}\`${retired ? ' (retired)' : ''}`, what, `${exitStatus[exit]}`, next];
  return `| ${cells.map(escapeCell).join(' | ')} |`;
}

/** Keeps a cell one cell, and "<" and "*" what they are. */
function escapeCell(text: string): string {
  return text.replace(/[|<*\\]/g, (c) => `\\${c}`);
}
