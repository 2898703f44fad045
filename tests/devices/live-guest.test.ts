/**
 * What the tool says of every disk of the lab's guest: real USB, SD, NVMe and SATA disks under a Debian kernel with
 * udev, in many layouts a start. Looked at and judged inside; the captures must replay to the same. With
 * CARDWRIGHT_SAVE_CAPTURES=1 they go to fixtures/machines, which other tests replay.
 */
import { copyFile, readFile, truncate, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { beforeAll, describe, expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { renderCapture } from '../../src/devices/replay/render-capture.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { bundleProgram } from '../lab/bundle.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { type Guest, withGuest } from '../lab/guest/guest.ts';
import { nameDisks } from '../lab/guest/machine.ts';
import { makeRootDisk } from '../lab/guest/root-disk.ts';
import { tableInLabels } from './disk-labels.ts';
import { gapsOf } from './graph-words.ts';
import { expectedIn, type GuestMachine } from './layouts/layout.ts';
import { guestMachines } from './layouts/machines.ts';
import type { Order, Sight } from './layouts/run-in-guest.ts';
import { fixturesFolder } from './load-capture.ts';

const program = `import '../devices/layouts/run-in-guest.ts';`;
const wordsFile = fileURLToPath(new URL('./layouts/layout-words.sh', import.meta.url));
const lastLook = 'bare-again';
/** An SD card has a power of two. Sparse files: what nobody writes takes no place. */
const diskBytes = 256 << 20;

async function makeDisk(path: string): Promise<void> {
  if (path.endsWith('/root')) return makeRootDisk(path);
  await writeFile(path, '');
  await truncate(path, diskBytes);
}

/** Sets all layouts up in the guest, one after another; gives what was seen of each, and of the machine at the end. */
async function lookAtLayouts(guest: Guest, bundle: string, order: Order): Promise<Map<string, Sight>> {
  await writeFile(join(guest.outFolder, 'order.json'), JSON.stringify(order));
  await copyFile(bundle, join(guest.outFolder, 'layouts.mjs'));
  await copyFile(wordsFile, join(guest.outFolder, 'layout-words.sh'));
  // On one processor: between two emulated ones, a wake-up costs more than all else that node does here.
  const command = 'taskset 1 node /out/layouts.mjs';
  const { status, stdout, stderr } = await guest.run(command, { timeoutMs: 1_200_000 });
  if (status !== 0) throw new Error(`the layouts: status ${status}\n${stdout}\n${stderr}`);
  const sights = order.layouts.map(async ({ name }) => {
    const text = await readFile(join(guest.outFolder, `${name}.json`), 'utf8');
    return [name, JSON.parse(text) as Sight] as const;
  });
  return new Map(await Promise.all(sights));
}

function lookAtMachine({ disks, late, rootNode, layouts }: GuestMachine): Promise<Map<string, Sight>> {
  return withCleanup(async (cleanup) => {
    const folder = await makeWorkFolder(cleanup);
    const file = (image: string): string => join(folder, image);
    const atStart = disks(file);
    const later = late?.(file) ?? [];
    for (const disk of [...atStart, ...later]) if (disk.file !== null) await makeDisk(disk.file);
    const bundle = join(folder, 'layouts.mjs');
    await bundleProgram(program, bundle);
    const bareAgain = { name: lastLook, note: 'after all of them', setUp: '' };
    const order = { disks: nameDisks([...atStart, ...later]), layouts: [...layouts, bareAgain] };
    return withGuest({ disks: atStart, ...(rootNode === undefined ? {} : { rootNode }) }, async (guest) => {
      for (const disk of later) {
        await guest.plug(disk);
        await guest.run(`until test -b /dev/disk/by-id/usb-*${disk.serial}-0:0; do sleep 0.1; done`);
      }
      await guest.run('udevadm settle');
      return lookAtLayouts(guest, bundle, order);
    });
  });
}

const needs = ['cryptsetup', 'lvm', 'mdadm', 'mkfs.btrfs', 'mkfs.vfat', 'mksquashfs', 'automount'] as const;

describeWith(
  ['guest', ...needs.map((name) => `program:${name}` as const)],
  'in the guest, the tool',
  { timeoutMs: 1_500_000 },
  () => {
    for (const machine of guestMachines) describe(machine.name, () => testMachine(machine));
  },
);

function testMachine(machine: GuestMachine): void {
  const seen = new Map<string, Sight>();
  const sightOf = (name: string): Sight => {
    const sight = seen.get(name);
    if (sight === undefined) throw new Error(`${name} was not looked at`);
    return sight;
  };
  beforeAll(async () => {
    for (const [name, sight] of await lookAtMachine(machine)) seen.set(name, sight);
  }, 1_500_000);

  it.each(machine.layouts)('$name: $note', async (layout) => {
    const { capture, graph, judged, labels, trouble } = sightOf(layout.name);
    expect(trouble).toBeNull();
    expect(tableInLabels(judged, labels)).toEqual(expectedIn(machine, layout));
    expect(gapsOf(graph)).toEqual([]);
    layout.check?.(graph, labels);
    expect(await buildDeviceGraph(createReplayReader(capture))).toEqual(graph);
    if (process.env.CARDWRIGHT_SAVE_CAPTURES !== '1') return;
    // Its serial numbers are given by us, so there is nothing to hide.
    await writeFile(join(fixturesFolder, `${layout.name}.json`), renderCapture(capture));
  });

  it('is as it was when all has been taken down', () => {
    const { judged, labels } = sightOf(lastLook);
    expect(tableInLabels(judged, labels)).toEqual(machine.bare);
  });
}
