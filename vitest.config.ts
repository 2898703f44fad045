import { defineConfig } from 'vitest/config';

export default defineConfig({
  test: {
    include: ['tests/**/*.test.ts'],
    // Tests share loop devices and two cores; files run side by side, cases in order.
    maxWorkers: 2,
    testTimeout: 20_000,
    hookTimeout: 60_000,
  },
});
