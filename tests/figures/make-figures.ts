/**
 * Runs every suite that hands numbers in, and the mutants, and prints one table: `npm run figures`. With `--write` the
 * table goes into the README. `--from FOLDER` runs nothing and takes what was handed in there (CARDWRIGHT_FIGURES of
 * an earlier run). Needs what the lab needs, and takes as long.
 */
import { execFileSync, spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { parseArgs } from 'node:util';
import { figureTable, replaceFigures } from './figure-table.ts';
import { type RecordedFigure, resultsFile } from './record-figure.ts';
import { suitesWithFigures } from './suites-with-figures.ts';

const root = join(import.meta.dirname, '..', '..');
const readme = join(root, 'README.md');

const { values: options } = parseArgs({
  options: { write: { type: 'boolean', default: false }, from: { type: 'string' } },
});

/** Runs a command with its output on the error stream; whether it ended well. */
function run(command: string, args: readonly string[], folder: string): boolean {
  const env = { ...process.env, CARDWRIGHT_FIGURES: folder };
  const { status } = spawnSync(command, args, { cwd: root, env, stdio: ['ignore', 2, 2] });
  return status === 0;
}

function measure(folder: string): void {
  const suites = suitesWithFigures(join(root, 'tests'));
  const steps: [string, string[]][] = [
    ['node', ['build.js']],
    ['npx', ['vitest', 'run', '--project', 'unit', '--passWithNoTests', ...suites]],
    ['npx', ['vitest', 'run', '--project', 'lab', '--passWithNoTests', ...suites]],
    ['npm', ['run', '--silent', 'mutants']],
  ];
  const failed = steps.filter(([command, args]) => !run(command, args, folder));
  // Numbers of a run in which something failed are no numbers.
  if (failed.length > 0)
    throw new Error(`failed: ${failed.map(([, args]) => args.slice(0, 4).join(' ')).join('; ')}`);
}

function handedIn(folder: string): RecordedFigure[] {
  const file = join(folder, resultsFile);
  if (!existsSync(file)) throw new Error(`nothing was handed in at ${file}`);
  const lines = readFileSync(file, 'utf8').trim().split('\n');
  return lines.map((line) => JSON.parse(line) as RecordedFigure);
}

const folder = options.from ?? mkdtempSync(join(tmpdir(), 'cardwright-figures-'));
try {
  if (options.from === undefined) measure(folder);
  const commit = execFileSync('git', ['rev-parse', '--short', 'HEAD'], {
    cwd: root,
    encoding: 'utf8',
  }).trim();
  const table = figureTable(handedIn(folder), new Date().toISOString().slice(0, 10), commit);
  process.stdout.write(`${table}\n`);
  if (options.write) writeFileSync(readme, replaceFigures(readFileSync(readme, 'utf8'), table));
} finally {
  if (options.from === undefined) rmSync(folder, { recursive: true, force: true });
}
