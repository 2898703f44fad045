/** Which files are mutated, and which tests have to notice. */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import ts from 'typescript';
import { applyMutant, type Mutant } from './mutant.ts';
import { findEdits } from './mutators.ts';

export const root = join(import.meta.dirname, '..', '..');

/** Test files, the quick ones first: the second stage is for mutants that the first one lets live. */
export type Stages = readonly (readonly string[])[];

const ruleTests: Stages = [
  ['guard/rules', 'guard/named-disks', 'guard/allowed-disks', 'guard/unmount-place', 'guard/demanded-name'],
  ['devices/machine-verdicts', 'guard/properties'],
];

const policyTests: Stages = [['guard/parse-policy', 'guard/load-policy'], ['guard/policy-on-disk']];

const approvalTests: Stages = [
  ['guard/check-approval', 'guard/station-key', 'guard/demanded-name'],
  ['guard/approval-code', 'guard/content-digest'],
];

/** By the beginning of the path; the first that fits. */
const targets: readonly [string, Stages][] = [
  ['src/guard/policy/', policyTests],
  ['src/guard/approval/', approvalTests],
  ['src/guard/yaml-limits.ts', [['guard/yaml-limits']]],
  ['src/guard/', ruleTests],
  ['src/contract/verdict.ts', ruleTests],
  ['src/job/verdict.ts', [['job/verdict', 'job/damage-findings']]],
];

export function stagesFor(file: string): Stages {
  const found = targets.find(([start]) => file.startsWith(start));
  if (found === undefined) throw new Error(`no tests are named for ${file}`);
  return found[1];
}

function parses(file: string, text: string): boolean {
  const { diagnostics } = ts.transpileModule(text, { fileName: file, reportDiagnostics: true });
  return (diagnostics ?? []).length === 0;
}

function mutantsOf(file: string): Mutant[] {
  const text = readFileSync(join(root, file), 'utf8');
  return findEdits(file, text)
    .map(({ kind, node, after }) => ({
      file,
      kind,
      ...node,
      before: text.slice(node.start, node.end),
      after,
    }))
    .filter((mutant) => mutant.before !== mutant.after && parses(file, applyMutant(text, mutant)));
}

function sourcesIn(folder: string): string[] {
  const names = readdirSync(join(root, folder), { recursive: true, encoding: 'utf8' });
  return names.filter((name) => name.endsWith('.ts')).map((name) => folder + name);
}

/** Every mutant of every file that is to be mutated, in a fixed order. */
export function allMutants(): Mutant[] {
  const files = targets.flatMap(([start]) => (start.endsWith('.ts') ? [start] : sourcesIn(start)));
  return [...new Set(files)].toSorted().flatMap(mutantsOf);
}
