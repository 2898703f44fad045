/**
 * Writes what the pages show of the tool: `npm run docs`. The walk needs root and a loop device; without them only the
 * error page and the rehearsal's examples are made anew.
 */
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { catalogueMarkdown } from '../../src/contract/render-catalogue.ts';
import { makeRehearsalExamples, makeWalkExamples } from './make-examples.ts';
import { replaceExamples } from './pages.ts';

const root = join(import.meta.dirname, '..', '..');
const readme = join(root, 'README.md');

fs.writeFileSync(join(root, 'src', 'contract', 'ERRORS.md'), catalogueMarkdown());
const folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-docs-'));
try {
  const examples = new Map([
    ...(await makeRehearsalExamples(folder)),
    ...(process.getuid?.() === 0 ? await makeWalkExamples() : []),
  ]);
  fs.writeFileSync(readme, replaceExamples(fs.readFileSync(readme, 'utf8'), examples));
} finally {
  fs.rmSync(folder, { recursive: true, force: true });
}
