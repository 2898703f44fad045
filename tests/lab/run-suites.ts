/**
 * Runs the lab in two halves side by side: block devices here; there the emulated computers, which take minutes and
 * are hardly ever at the bench. What the second half says is shown when the first has ended, so that their lines do
 * not mix. Ends with 0 when both were green.
 */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { execa } from 'execa';

const computers = ['tests/lab/guest/', 'tests/devices/live-guest', 'tests/e2e/guest-', 'tests/e2e/proof'];

const folder = mkdtempSync(join(tmpdir(), 'cardwright-bench-'));
const bench = join(folder, 'turn');
writeFileSync(bench, '');
const runHalf = (half: 'disks' | 'computers', files: string[], output: 'inherit' | 'pipe') =>
  execa('vitest', ['run', '--project', 'lab', ...files], {
    preferLocal: true,
    reject: false,
    all: true,
    stdin: 'ignore',
    stdout: output,
    stderr: output,
    env: { CARDWRIGHT_BENCH: bench, CARDWRIGHT_BENCH_HALF: half },
  });
try {
  const beside = runHalf('computers', computers, 'pipe');
  const without = computers.map((begin) => `--exclude=${begin}${begin.endsWith('/') ? '**' : '*'}`);
  const disks = await runHalf('disks', without, 'inherit');
  const { all, exitCode } = await beside;
  process.stdout.write(`\n== emulated computers, beside the above\n${all}\n`);
  process.exitCode = disks.exitCode === 0 && exitCode === 0 ? 0 : 1;
} finally {
  rmSync(folder, { recursive: true, force: true });
}
