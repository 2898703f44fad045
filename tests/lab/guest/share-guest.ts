import { afterAll, beforeAll } from 'vitest';
import type { Guest } from './guest.ts';

/** A guest that lives for all cases of a describe block, since each boot takes its time. `boot` calls `withGuest`. */
export function shareGuest(boot: (body: (guest: Guest) => Promise<void>) => Promise<void>): () => Guest {
  let shared: Guest | undefined;
  let end: () => void = () => undefined;
  let ended: Promise<void> = Promise.resolve();
  beforeAll(async () => {
    await new Promise<void>((resolve, reject) => {
      ended = boot(async (guest) => {
        shared = guest;
        resolve();
        await new Promise<void>((finish) => {
          end = finish;
        });
      });
      ended.catch(reject);
    });
  }, 180_000);
  afterAll(async () => {
    end();
    await ended;
  }, 60_000);
  return () => {
    if (shared === undefined) throw new Error('the guest did not boot');
    return shared;
  };
}
