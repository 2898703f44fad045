/**
 * Makes every small mistake that `mutators.ts` knows in the guard and the verdicts, one at a time, and demands that a
 * test notices: `npm run mutants`. With `--share 5 --seed 7` one in five is tried, chosen by the seed, with
 * `--only src/guard/rules/` those of a folder.
 * Fails where a mutant lives that `survivors.ts` does not explain, or where an explanation is out of date.
 */
import { type ChildProcess, fork } from 'node:child_process';
import { once } from 'node:events';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { parseArgs } from 'node:util';
import { recordFigure } from '../figures/record-figure.ts';
import { seededOffset } from '../lab/fault-disk/fault.ts';
import { type Mutant, mutantName } from './mutant.ts';
import { survivors } from './survivors.ts';
import { allMutants, root } from './targets.ts';

type Outcome = 'killed' | 'hung' | 'lives';

/** A mutant that loops for ever never answers; what is slow only because the machine is busy does. */
const patienceMs = 90_000;

const { values: options } = parseArgs({
  options: {
    share: { type: 'string', default: '1' },
    seed: { type: 'string' },
    only: { type: 'string', default: '' },
    list: { type: 'boolean' },
  },
});
const share = Number(options.share);
// Another share every day.
const seed = Number(options.seed ?? Math.floor(Date.now() / 86_400_000));

const print = (line: string) => process.stdout.write(`${line}\n`);

const nameOf = (mutant: Mutant) => mutantName(readFileSync(join(root, mutant.file), 'utf8'), mutant);

async function startChild(): Promise<ChildProcess> {
  const child = fork(join(root, 'tests/mutants/try-mutants.ts'), {
    // Some mutants leave files open, of which Node would warn.
    execArgv: ['--import', 'tsx'],
    stdio: ['ignore', 'ignore', 'inherit', 'ipc'],
    env: { ...process.env, NODE_NO_WARNINGS: '1' },
  });
  await once(child, 'message');
  return child;
}

/** Null where no answer came in time. */
async function ask(child: ChildProcess, file: string, mutant: Mutant | null): Promise<boolean | null> {
  const waiting = AbortSignal.timeout(patienceMs);
  child.send({ file, mutant });
  try {
    const [answer] = await once(child, 'message', { signal: waiting });
    return answer as boolean;
  } catch (error) {
    if (waiting.aborted) return null;
    throw error;
  }
}

/** Without a mutant every test has to pass, or the tests would "notice" anything. */
async function checkUnchanged(child: ChildProcess, file: string): Promise<void> {
  if ((await ask(child, file, null)) !== true) throw new Error(`the tests of ${file} fail without a mutant`);
}

/** Takes mutants off the list until it is empty. */
async function work(left: Mutant[], done: (mutant: Mutant, outcome: Outcome) => void): Promise<void> {
  let child = await startChild();
  let lastFile = '';
  for (let mutant = left.shift(); mutant !== undefined; mutant = left.shift()) {
    if (mutant.file !== lastFile) await checkUnchanged(child, mutant.file);
    lastFile = mutant.file;
    const lives = await ask(child, mutant.file, mutant);
    done(mutant, lives === null ? 'hung' : lives ? 'lives' : 'killed');
    if (lives !== null) continue;
    child.kill('SIGKILL');
    child = await startChild();
  }
  child.disconnect();
}

const every = allMutants().filter(({ file }) => file.startsWith(options.only));
const chosen = every.filter((_, at) => seededOffset(seed * every.length + at, share, 1) === 0);
const names = new Set(every.map(nameOf));
const outcomes = new Map<Mutant, Outcome>();

if (options.list) {
  for (const name of names) print(name);
  process.exit();
}
const left = [...chosen];
await Promise.all(
  [0, 1].map(() =>
    work(left, (mutant, outcome) => {
      outcomes.set(mutant, outcome);
      const isNews = outcome === 'hung' || (outcome === 'lives' && survivors[nameOf(mutant)] === undefined);
      if (isNews) print(`${outcome === 'hung' ? 'never ends' : 'lives'}: ${nameOf(mutant)}`);
    }),
  ),
);

const namesOf = (outcome: Outcome) => chosen.filter((one) => outcomes.get(one) === outcome).map(nameOf);
const living = namesOf('lives');
const unexplained = living.filter((name) => survivors[name] === undefined);
const killed = new Set([...namesOf('killed'), ...namesOf('hung')].filter((name) => !living.includes(name)));
const outOfDate = Object.keys(survivors)
  .filter((name) => name.startsWith(options.only))
  .filter((name) => !names.has(name) || killed.has(name));

const part = share === 1 ? '' : ` (one in ${share} of ${every.length}, seed ${seed})`;
print(
  `${chosen.length} mutants${part}: ${chosen.length - living.length} noticed, ${namesOf('hung').length} of them by never ending; ` +
    `${living.length} live, ${living.length - unexplained.length} of them explained`,
);
for (const name of outOfDate) print(`explained, but not there or killed: ${name}`);
if (unexplained.length + outOfDate.length > 0) process.exit(1);
recordFigure('mutants made', chosen.length, 'guard and verdicts');
recordFigure('mutants killed', chosen.length - living.length, 'guard and verdicts');
