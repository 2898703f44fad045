import { describe, expect, it } from 'vitest';
import { nextWorkerUser, pickWorkerUser, takenUids } from '../../src/job/supervisor/worker-user.ts';

describe('the user of a worker', () => {
  it('lies in the range that systemd keeps for users made on the fly (systemd.io/UIDS-GIDS)', () => {
    for (const seed of [0, 1, 4335, 4336, 123_456]) {
      const user = pickWorkerUser(0, seed, new Set());
      expect(user?.uid).toBeGreaterThanOrEqual(61_184);
      expect(user?.uid).toBeLessThanOrEqual(65_519);
      expect(user?.gid).toBe(user?.uid);
    }
  });

  it('is one that nobody has', () => {
    const first = pickWorkerUser(0, 7, new Set());
    expect(pickWorkerUser(0, 7, new Set([first?.uid ?? 0]))).not.toEqual(first);
    expect(takenUids().has(0)).toBe(true);
  });

  it('is nobody new where we are not root', () => {
    expect(pickWorkerUser(1000, 7, new Set())).toBeNull();
  });

  it.skipIf(process.getuid?.() !== 0)(
    'is another one each time, also before the first worker runs (root only)',
    () => {
      const users = Array.from({ length: 20 }, () => nextWorkerUser()?.uid);
      expect(new Set(users).size).toBe(20);
    },
  );
});
