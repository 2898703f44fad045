/**
 * The power goes in the middle of a request, and of what was written since the last flush the card keeps some and
 * loses some. At every write and flush of a job: what is left is either no card that boots, or a finished one.
 */
import { expect, it } from 'vitest';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withFaultDisk } from '../lab/fault-disk/fault-disk.ts';
import { oldContent } from '../lab/medium.ts';
import { type JobKit, runJobOn, withJobKit } from './job-on-disk.ts';
import { cardBytes, expectImageOn, headIsZero } from './lying-media.ts';
import { usualShape } from './small-image.ts';

const mostRequests = 200;

type Left = 'as it was' | 'head is coming off' | 'no head' | 'head without its first sector' | 'finished';

/** Another seed loses other writes. */
const firstSeed = Number(process.env.POWER_CUT_SEED ?? 1);

/** Runs one job into the cut; null when it ended before. */
async function cutAt(kit: JobKit, op: 'write' | 'flush', nth: number): Promise<Left | null> {
  return withFaultDisk({ sizeBytes: cardBytes }, async (disk) => {
    const seed = firstSeed * 1000 + nth;
    disk.setFaults([{ kind: 'vanish', op, nth, losing: 'unflushed', seed }]);
    const end = await runJobOn(disk, kit);
    if (end.outcome) return null;
    const why = `cut at ${op} ${nth} (POWER_CUT_SEED=${firstSeed})`;
    const phase = end.error?.facts.phase;
    const first = await disk.readMedium(0, 512);
    const old = oldContent(0, cardBytes);
    if (await headIsZero(disk)) return 'no head';
    // With a first sector of ours on it, all else was proven to be there before.
    if (first.readUInt16BE(510) === 0x55aa && !first.equals(old.subarray(0, 512))) {
      expect(phase, why).toBe('seal');
      await expectImageOn(disk, kit, end.record, why);
      return 'finished';
    }
    if (first.every((byte) => byte === 0) && phase === 'seal') return 'head without its first sector';
    expect(phase, `${why}: a head although the phase had ended`).toBe('head-off');
    return (await disk.readMedium(0, cardBytes)).equals(old) ? 'as it was' : 'head is coming off';
  });
}

describeWith(['fault-disk'], 'a card whose power is cut', { timeoutMs: 600_000 }, () => {
  it('at every write and flush of a job: it does not boot, or it is complete', () =>
    withJobKit(usualShape, async (kit) => {
      process.stderr.write(`power cuts: POWER_CUT_SEED=${firstSeed}\n`);
      const left: Left[] = [];
      for (const op of ['write', 'flush'] as const) {
        let nth = 1;
        for (; nth <= mostRequests; nth++) {
          const one = await cutAt(kit, op, nth);
          if (one === null) break;
          left.push(one);
        }
        expect(nth).toBeLessThan(mostRequests);
      }
      expect(left.length).toBeGreaterThanOrEqual(30);
      // Nothing that was cut off had got as far as its first sector: that one is the last thing to be written.
      expect(left.filter((one) => one === 'finished').length).toBeLessThanOrEqual(2);
      expect(left).toContain('no head');
      recordFigure('kill points', left.length, 'power cuts');
      recordFigure('kill points with a false end', 0, 'power cuts');
    }));
});
