import { defineConfig } from 'vitest/config';

const timeouts = { testTimeout: 20_000, hookTimeout: 60_000 };

// Two suites. `unit` runs anywhere in two processes at a time. `lab` makes block devices and looks at the whole
// machine, so one file runs after another: a loop device of one test is a fact about the machine for every other.
// tests/lab/run-suites.ts runs it in lanes side by side.
export default defineConfig({
  test: {
    // What decides about a disk, reads an image's table or calls a card done has no branch that no test takes.
    coverage: {
      include: ['src/guard/**', 'src/image/table/**', 'src/contract/verdict.ts', 'src/job/verdict.ts'],
      reporter: ['text-summary', 'text'],
      skipFull: true,
      thresholds: { 100: true },
    },
    projects: [
      {
        test: {
          name: 'unit',
          include: ['tests/**/*.test.ts'],
          exclude: [
            'tests/lab/**',
            'tests/e2e/**',
            'tests/devices/live-*.test.ts',
            'tests/media/claim.test.ts',
            'tests/daemon/live-*.test.ts',
          ],
          maxWorkers: 2,
          // No test changes what another has loaded, and loading all of it anew for each file takes a third of the time.
          isolate: false,
          ...timeouts,
        },
      },
      {
        test: {
          name: 'lab',
          include: [
            'tests/lab/**/*.test.ts',
            'tests/e2e/**/*.test.ts',
            'tests/devices/live-*.test.ts',
            'tests/media/claim.test.ts',
            'tests/daemon/live-*.test.ts',
          ],
          setupFiles: ['tests/lab/hold-bench.ts'],
          fileParallelism: false,
          ...timeouts,
        },
      },
    ],
  },
});
