/**
 * Tries mutants one after another, as a child of `run-mutants.ts`. A mutant lives in this process only: it is handed to
 * the test runner in place of the file's text, and no file is ever written.
 */
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { createVitest, type TestSpecification, type Vitest } from 'vitest/node';
import { applyMutant, type Mutant } from './mutant.ts';
import { root, stagesFor } from './targets.ts';

let mutated: { path: string; text: string } | null = null;

const handOver = {
  name: 'hand-over-mutant',
  enforce: 'pre' as const,
  load: (id: string) => (mutated !== null && id.split('?')[0] === mutated.path ? mutated.text : null),
};

async function start(): Promise<Vitest> {
  return await createVitest(
    'test',
    {
      root,
      config: false,
      // Else the runner keeps what it has transformed for good.
      watch: true,
      pool: 'threads',
      isolate: false,
      fileParallelism: false,
      bail: 1,
      reporters: [{}],
      include: ['tests/**/*.test.ts'],
      setupFiles: [join(root, 'tests/mutants/fix-seed.ts')],
      testTimeout: 60_000,
    },
    { plugins: [handOver], server: { watch: null } },
  );
}

async function passes(vitest: Vitest, specifications: TestSpecification[]): Promise<boolean> {
  const { testModules, unhandledErrors } = await vitest.runTestSpecifications(specifications, false);
  // The answer holds the modules of earlier runs as well, with what they were then.
  const modules = testModules.filter(({ moduleId }) =>
    specifications.some((one) => one.moduleId === moduleId),
  );
  if (mutated === null) {
    // Then a failure is none of a mutant's, and a person has to see it.
    const failed = modules.flatMap((module) => [...module.children.allTests('failed')]);
    const errors = [
      ...modules.flatMap((module) => module.errors()),
      ...failed.flatMap((test) => test.result().errors ?? []),
    ];
    for (const { message } of errors) process.stderr.write(`${message}\n`);
  }
  const hasPassed =
    modules.length === specifications.length && modules.every((one) => one.state() === 'passed');
  return hasPassed && unhandledErrors.length === 0;
}

const vitest = await start();
const known = await vitest.globTestSpecifications();

function specificationsOf(names: readonly string[]): TestSpecification[] {
  return names.map((name) => {
    const path = join(root, 'tests', `${name}.test.ts`);
    const found = known.find(({ moduleId }) => moduleId === path);
    if (found === undefined) throw new Error(`no test file ${path}`);
    return found;
  });
}

/** Whether every test passes with this mutant in place; without one (null), whether they do at all. */
async function survives(file: string, mutant: Mutant | null): Promise<boolean> {
  const path = join(root, file);
  // The last file has to be read anew as well, or its mutant would stay and answer for the ones to come.
  if (mutated !== null) vitest.invalidateFile(mutated.path);
  mutated = mutant && { path, text: applyMutant(readFileSync(path, 'utf8'), mutant) };
  vitest.invalidateFile(path);
  for (const names of stagesFor(file)) {
    if (!(await passes(vitest, specificationsOf(names)))) return false;
  }
  return true;
}

process.on('message', async ({ file, mutant }: { file: string; mutant: Mutant | null }) => {
  process.send?.(await survives(file, mutant));
});
process.on('disconnect', () => process.exit());
process.send?.('ready');
