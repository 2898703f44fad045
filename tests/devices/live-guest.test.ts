/**
 * The graph of the lab's guest: real USB, SD, NVMe and SATA disks under a Debian kernel with udev. Captured inside,
 * judged here. With CARDWRIGHT_SAVE_CAPTURES=1 the captures go to fixtures/machines, which other tests replay.
 */
import { copyFile, readFile, truncate, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import type { Capture } from '../../src/devices/replay/capture.ts';
import { renderCapture } from '../../src/devices/replay/render-capture.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { bundleProgram } from '../lab/bundle.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { withGuest } from '../lab/guest/guest.ts';
import { makeRootDisk } from '../lab/guest/root-disk.ts';
import { guestMachines } from './guest-machines.ts';
import { fixturesFolder } from './load-capture.ts';

const program = `
  import { writeFileSync } from 'node:fs';
  import { createLiveReader } from '../../src/devices/linux/live-reader.ts';
  import { captureMachine } from '../../src/devices/replay/capture-machine.ts';
  const reader = createLiveReader({ patienceMs: 60_000 });
  writeFileSync('/out/capture.json', JSON.stringify(await captureMachine(reader, process.argv[2])));`;

/** Folders of the Filesystem Hierarchy Standard 3.0; the guest shows others of the machine that it runs on. */
const ordinary = new Set('/ boot dev etc home media mnt opt proc root run srv sys tmp usr var'.split(' '));

function withOrdinaryMounts(capture: Capture): Capture {
  const copy = structuredClone(capture);
  for (const [path, text] of Object.entries(copy.text)) {
    if (!path.endsWith('/mountinfo') || !text.ok) continue;
    const kept = text.value.split('\n').filter((line) => {
      const [, , , root = '', point = ''] = line.split(' ');
      const top = point.split('/')[1] || '/';
      return line === '' || (ordinary.has(top) && !root.includes('cardwright-lab'));
    });
    text.value = kept.join('\n');
  }
  return copy;
}

describeWith(['guest', 'program:cryptsetup', 'program:mkfs.btrfs'], 'the guest', () => {
  it.each(guestMachines)(
    '$name: $note',
    { timeout: 300_000 },
    async ({ name, note, disks, rootNode, setUp, check }) => {
      await withCleanup(async (cleanup) => {
        const folder = await makeWorkFolder(cleanup);
        const file = (image: string): string => join(folder, image);
        const list = disks(file);
        for (const disk of list.filter((one) => one.file !== null && one.file !== file('root'))) {
          await writeFile(disk.file ?? '', '');
          await truncate(disk.file ?? '', 128 << 20);
        }
        if (rootNode !== undefined) await makeRootDisk(file('root'));
        await bundleProgram(program, join(folder, 'capture.mjs'));
        await withGuest({ disks: list, ...(rootNode === undefined ? {} : { rootNode }) }, async (guest) => {
          await copyFile(join(folder, 'capture.mjs'), join(guest.outFolder, 'capture.mjs'));
          const made = await guest.run(setUp, { timeoutMs: 120_000 });
          expect(made, made.stderr).toMatchObject({ status: 0 });
          const captured = await guest.run(`node /out/capture.mjs '${note}'`, { timeoutMs: 120_000 });
          expect(captured, captured.stderr).toMatchObject({ status: 0 });
          const text = await readFile(join(guest.outFolder, 'capture.json'), 'utf8');
          const capture = JSON.parse(text) as Capture;
          check(await buildDeviceGraph(createReplayReader(capture)));
          if (process.env.CARDWRIGHT_SAVE_CAPTURES !== '1') return;
          await writeFile(join(fixturesFolder, `${name}.json`), renderCapture(withOrdinaryMounts(capture)));
        });
      });
    },
  );
});
