import type { BtrfsVolume } from './read-btrfs.ts';
import { type LoopHome, readLoops } from './read-loops.ts';
import { type Home, homeOfFile } from './storage-homes.ts';
import { recordHome, recordUse, type Survey } from './survey.ts';

async function zramBacking(survey: Survey, name: string): Promise<{ path: string; home: Home } | null> {
  // "none" without write-back (admin-guide/blockdev/zram).
  const path = await survey.reader.readText(`/sys/block/${name}/backing_dev`);
  if (!path.ok || !path.value.startsWith('/')) return null;
  const trimmed = path.value.trim();
  return { path: trimmed, home: await homeOfFile(survey.tables, trimmed) };
}

/**
 * Completes the block map with what the kernel's links do not show: what loops and zram devices stand on. Must run
 * before any use is noted.
 */
export async function joinStacks(survey: Survey): Promise<LoopHome[]> {
  const mounts = survey.views.flatMap((view) => view.mounts);
  const disks = [...survey.disks.values()];
  const loops = await readLoops(survey.tables, disks, mounts);
  for (const { name, kind } of disks) {
    const backing = kind === 'zram' ? await zramBacking(survey, name) : null;
    if (backing) loops.push({ loop: name, backingFile: backing.path, home: backing.home });
  }
  for (const { loop, home } of loops) survey.map.byName.get(loop)?.below.push(...home.blocks);
  return loops;
}

/** Notes everything that stands on a block device itself: device-mapper, md, bcache, btrfs, loops. */
export function recordStacks(
  survey: Survey,
  loops: readonly LoopHome[],
  btrfs: readonly BtrfsVolume[],
): void {
  for (const { name, holders } of survey.map.byName.values()) {
    for (const holder of holders) {
      const what = survey.map.byName.get(holder)?.label ?? holder;
      recordUse(survey, name, { kind: 'holder', what });
    }
  }
  for (const { uuid, label, members } of btrfs) {
    const what = `btrfs ${label ?? uuid}`;
    for (const member of members) recordUse(survey, member, { kind: 'btrfs-member', what });
  }
  for (const { loop, backingFile, home } of loops) {
    const what = `${loop} over ${backingFile}`;
    recordHome(survey, home, what, { kind: 'loop-backing', what });
  }
}
