/** Before each file of the lane that works with block devices: the bench is its own until the file's end. */
import { afterAll } from 'vitest';
import { takeBench } from './bench-turn.ts';

if (process.env.CARDWRIGHT_BENCH_LANE === 'disks') afterAll(await takeBench(), 60_000);
