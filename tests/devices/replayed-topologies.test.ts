/** The captures in fixtures/machines, replayed: needs neither root nor loop devices. */
import { readdirSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { gapsOf } from './graph-words.ts';
import { guestMachines } from './layouts/machines.ts';
import { fixturesFolder, loadCapture } from './load-capture.ts';
import { topologies } from './topologies.ts';

const layouts = guestMachines.flatMap((machine) => machine.layouts);

describe('captured topologies, replayed', () => {
  it.each(topologies)('$name: $note', async ({ name, check }) => {
    const capture = loadCapture(name);
    expect(capture.origin).toBe('captured');
    const graph = await buildDeviceGraph(createReplayReader(capture));
    check(graph, capture.labels);
    expect(gapsOf(graph)).toEqual([]);
  });

  it.each(layouts)('$name: $note', async ({ name, check }) => {
    const capture = loadCapture(name);
    expect(capture.origin).toBe('captured');
    const graph = await buildDeviceGraph(createReplayReader(capture));
    check?.(graph, capture.labels);
    expect(gapsOf(graph)).toEqual([]);
  });

  it('are small, and none is left without a test', () => {
    const files = readdirSync(fixturesFolder).filter((file) => file.endsWith('.json'));
    for (const file of files) expect(statSync(join(fixturesFolder, file)).size, file).toBeLessThan(150_000);
    const tested = [...topologies, ...layouts].map(({ name }) => `${name}.json`);
    expect(files.toSorted()).toEqual(tested.toSorted());
  });

  it('refuse as a whole where a question was never asked', async () => {
    const capture = loadCapture('mounted');
    delete capture.text['/proc/self/mountinfo'];
    const graph = await buildDeviceGraph(createReplayReader(capture));
    expect(gapsOf(graph)).toContain('mounts seen by 1 processes: not captured');
    expect(graph.untraced).toContain('/ (our own mountinfo cannot be read)');
  });
});
