/**
 * What is set up on real loop devices must show in the graph of this machine; the same reads, captured, reduced and
 * replayed, must give the same graph. With CARDWRIGHT_SAVE_CAPTURES=1 the captures go to fixtures/machines.
 */
import { writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { createLiveReader } from '../../src/devices/linux/live-reader.ts';
import { recordReads } from '../../src/devices/replay/record-reads.ts';
import { reduceCapture } from '../../src/devices/replay/reduce-capture.ts';
import { renderCapture } from '../../src/devices/replay/render-capture.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { scrubCapture } from '../../src/devices/replay/scrub-capture.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { focusReader } from './focus-reader.ts';
import { gapsOf } from './graph-words.ts';
import { fixturesFolder } from './load-capture.ts';
import { topologies } from './topologies.ts';

for (const { name, note, needs = [], build, check } of topologies) {
  describeWith(['loop', 'program:partx', 'program:sfdisk', ...needs], name, () => {
    it(`is seen on this machine: ${note}`, { timeout: 60_000 }, async () => {
      await withCleanup(async (cleanup) => {
        const folder = await makeWorkFolder(cleanup);
        const labels = await build({ cleanup, folder });
        const loops = Object.values(labels).filter((value) => /^loop\d+$/.test(value));
        const live = focusReader(createLiveReader(), folder, loops);
        const { reader, capture } = recordReads(live, { origin: 'captured', note });
        const graph = await buildDeviceGraph(reader, { exemptPids: [process.pid] });
        check(graph, labels);
        expect(gapsOf(graph)).toEqual([]);

        const reduced = reduceCapture(capture());
        expect(await buildDeviceGraph(createReplayReader(reduced), { exemptPids: [process.pid] })).toEqual(
          graph,
        );
        if (process.env.CARDWRIGHT_SAVE_CAPTURES !== '1') return;
        const words = [
          [folder, '/lab'],
          [process.cwd(), '/home/grower'],
        ] as const;
        const scrubbed = scrubCapture({ ...reduced, labels }, { words });
        await writeFile(join(fixturesFolder, `${name}.json`), renderCapture(scrubbed));
      });
    });
  });
}
