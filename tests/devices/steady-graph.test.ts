/** A machine that changes while it is looked at. */
import { describe, expect, it } from 'vitest';
import type { SystemReader } from '../../src/contract/system-reader.ts';
import { buildSteadyGraph } from '../../src/devices/build-steady-graph.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { gapsOf } from './graph-words.ts';
import { loadCapture } from './load-capture.ts';

/** In every look up to `lastChange` one answer is missing; the list of block devices is another after each. */
function restless(lastChange: number, changesShow: boolean) {
  const calm = createReplayReader(loadCapture('loop-over-file-on-card'));
  let glances = 0;
  const looks = () => Math.ceil(glances / 2);
  const reader: SystemReader = {
    ...calm,
    readText: async (path) => {
      if (path === '/proc/partitions') {
        glances += 1;
        return { ok: true, value: changesShow && looks() <= lastChange ? `${glances}` : 'the same' };
      }
      if (path === '/proc/swaps' && looks() <= lastChange) return { ok: false, why: 'EIO' };
      return calm.readText(path);
    },
  };
  return { reader, looks };
}

describe('a machine that changes while it is looked at', () => {
  it('is looked at once where nothing is missing', async () => {
    const { reader, looks } = restless(0, true);
    expect(gapsOf(await buildSteadyGraph(reader))).toEqual([]);
    expect(looks()).toBe(1);
  });

  it('is looked at again, and then all is seen', async () => {
    const { reader, looks } = restless(2, true);
    expect(gapsOf(await buildSteadyGraph(reader))).toEqual([]);
    expect(looks()).toBe(3);
  });

  it('is left at three looks: what could not be seen then, refuses', async () => {
    const { reader, looks } = restless(9, true);
    expect(gapsOf(await buildSteadyGraph(reader))).not.toEqual([]);
    expect(looks()).toBe(3);
  });

  it('is not looked at again where no change explains the gap', async () => {
    const { reader, looks } = restless(9, false);
    expect(gapsOf(await buildSteadyGraph(reader))).not.toEqual([]);
    expect(looks()).toBe(1);
  });
});
