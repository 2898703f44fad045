/**
 * Rule 11, over whole captures: take away any one answer, and no disk may lose a use, a content or its write
 * protection without the graph saying that it does not know.
 */
import { describe, expect, it } from 'vitest';
import type { DeviceGraph, Disk } from '../../src/contract/devices.ts';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import type { Capture } from '../../src/devices/replay/capture.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { gapsOf } from './graph-words.ts';
import { loadCapture } from './load-capture.ts';
import { composeCapture } from './make-machines.ts';

const tables = ['text', 'list', 'link', 'real', 'stat', 'run', 'bytes'] as const;

/** Names that people gave to mappings and volumes are shown only: without them the use is still there. */
const useKey = ({ kind, on, what }: Disk['uses'][number]) =>
  kind === 'btrfs-member'
    ? `${kind} on ${on}`
    : `${kind} ${what.replace(/^(dm-\d+) \(.*\)$/, '$1')} on ${on}`;

/** What a disk no longer shows although it did before. */
function lostOf(before: Disk, now: Disk): string[] {
  const uses = now.uses.map(useKey);
  const lost = before.uses.map(useKey).filter((use) => !uses.includes(use));
  if (before.readOnly && !now.readOnly) lost.push('write protection');
  if (before.hidden && !now.hidden) lost.push('hidden');
  if ((before.signatures?.length ?? 0) > (now.signatures?.length ?? 0)) lost.push('signatures');
  if (before.sizeBytes !== now.sizeBytes) lost.push('size');
  if (before.kind !== now.kind && now.kind !== 'unknown') lost.push(`kind ${before.kind}`);
  return lost;
}

function unsaidLosses(before: DeviceGraph, now: DeviceGraph): string[] {
  if (gapsOf(now).length > 0) return [];
  return now.disks
    .filter((disk) => !disk.unseen.some(({ decides }) => decides))
    .flatMap((disk) => {
      const old = before.disks.find(({ name }) => name === disk.name);
      return old ? lostOf(old, disk).map((what) => `${disk.name}: ${what}`) : [`${disk.name} is new`];
    });
}

async function sweep(capture: Capture, why: string): Promise<string[]> {
  const before = await buildDeviceGraph(createReplayReader(capture));
  const found: string[] = [];
  for (const table of tables) {
    for (const key of Object.keys(capture[table])) {
      const cut: Capture = { ...capture, [table]: { ...capture[table], [key]: { ok: false, why } } };
      const losses = unsaidLosses(before, await buildDeviceGraph(createReplayReader(cut)));
      for (const loss of losses) found.push(`without ${table} ${key}: ${loss}`);
    }
  }
  return found;
}

const captured = [
  'live-stick',
  'loop-over-partition',
  'swap-file',
  'btrfs-over-two',
  'mounted-in-another-namespace',
];
const composed = [
  'lvm-over-luks-on-nvme',
  'root-on-sd',
  'emmc-with-boot-areas',
  'live-stick-squashfs',
  'cached-disk',
];

describe('a machine that keeps one answer from us', () => {
  it.each(captured)('never hides a use: %s', { timeout: 120_000 }, async (name) => {
    expect(await sweep(loadCapture(name), 'EACCES')).toEqual([]);
  });

  it.each(composed)('never hides a use: %s (composed)', { timeout: 120_000 }, async (name) => {
    expect(await sweep(await composeCapture(name), 'EIO')).toEqual([]);
  });
});
