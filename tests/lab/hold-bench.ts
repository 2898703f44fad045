/** Before each file of the half that works with block devices: the bench is its own until the file's end. */
import { afterAll } from 'vitest';
import { takeBench } from './bench-turn.ts';

if (process.env.CARDWRIGHT_BENCH_HALF === 'disks') afterAll(await takeBench(), 60_000);
