/**
 * Runs the lab in three lanes side by side: block devices here; beside them machines with readers, and computers that
 * start from finished cards. Those take minutes and are hardly ever at the bench; two cores are busy all the time. What
 * the others say is shown when the first has ended, so that their lines do not mix. Ends with 0 when all were green.
 */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { execa } from 'execa';

/** Beginnings of file names; all other files of the lab are the first lane's. */
const lanes = {
  'machines with readers': ['tests/lab/guest/', 'tests/devices/live-guest', 'tests/e2e/guest-'],
  'computers that start from cards': ['tests/e2e/proof'],
};

const folder = mkdtempSync(join(tmpdir(), 'cardwright-bench-'));
const bench = join(folder, 'turn');
writeFileSync(bench, '');
/** These run a second time in the first lane, with every command going through a daemon. */
const bothWays = ['tests/e2e/spine', 'tests/e2e/refusals', 'tests/e2e/dry-run'];

const runLane = (lane: string, files: string[], output: 'inherit' | 'pipe', env = {}) =>
  execa('vitest', ['run', '--project', 'lab', ...files], {
    preferLocal: true,
    reject: false,
    all: true,
    stdin: 'ignore',
    stdout: output,
    stderr: output,
    env: { CARDWRIGHT_BENCH: bench, CARDWRIGHT_BENCH_LANE: lane, ...env },
  });
try {
  const beside = Object.entries(lanes).map(([lane, files]) => ({ lane, run: runLane(lane, files, 'pipe') }));
  const without = Object.values(lanes).flat();
  const rest = without.map((begin) => `--exclude=${begin}${begin.endsWith('/') ? '**' : '*'}`);
  const own = await runLane('disks', rest, 'inherit');
  process.stdout.write('\n== once more, through the daemon\n');
  const through = await runLane('disks', bothWays, 'inherit', { CARDWRIGHT_TEST_WAY: 'daemon' });
  let isGreen = own.exitCode === 0 && through.exitCode === 0;
  for (const { lane, run } of beside) {
    const { all, exitCode } = await run;
    process.stdout.write(`\n== ${lane}, beside the above\n${all}\n`);
    isGreen &&= exitCode === 0;
  }
  process.exitCode = isGreen ? 0 : 1;
} finally {
  rmSync(folder, { recursive: true, force: true });
}
