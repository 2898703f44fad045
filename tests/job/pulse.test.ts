import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import type { FromWorker } from '../../src/job/worker/protocol.ts';
import { startPulse } from '../../src/job/worker/pulse.ts';
import { createMemoryMedium } from '../../src/media/memory-medium.ts';

describe('the pulse of a worker', () => {
  beforeEach(() => void vi.useFakeTimers());
  afterEach(() => void vi.useRealTimers());

  function pulse() {
    const told: FromWorker[] = [];
    let letGo = (): void => undefined;
    const inner = createMemoryMedium(4096);
    const flush = () =>
      new Promise<void>((resolve) => {
        letGo = resolve;
      });
    const hanging = { ...inner, flush };
    const medium = startPulse((message) => told.push(message)).count(hanging);
    const stalls = () => told.flatMap((message) => (message.type === 'stalled' ? [message.seconds] : []));
    return { told, medium, stalls, letGo: () => letGo() };
  }

  it('beats every second while nothing is on its way: a slow image is no stall', () => {
    const { told, stalls } = pulse();
    vi.advanceTimersByTime(20_000);
    expect(told).toHaveLength(20);
    expect(stalls()).toEqual([]);
  });

  it('says a stall after five seconds without a completion, then every five seconds', async () => {
    const { medium, stalls, letGo } = pulse();
    const flush = medium.flush();
    vi.advanceTimersByTime(4_900);
    expect(stalls()).toEqual([]);
    vi.advanceTimersByTime(10_100);
    expect(stalls()).toEqual([5, 10, 15]);
    letGo();
    await flush;
    vi.advanceTimersByTime(20_000);
    expect(stalls()).toEqual([5, 10, 15]);
  });

  it('beats from within a long stretch of synchronous reading', () => {
    const { told, medium } = pulse();
    for (let read = 0; read < 30; read++) {
      vi.setSystemTime(Date.now() + 100);
      medium.readNow(new Uint8Array(512), 0);
    }
    expect(told.filter(({ type }) => type === 'alive')).toHaveLength(3);
  });
});
