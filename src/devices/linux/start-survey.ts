import type { UnseenFact } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { makeBlockMap } from './block-map.ts';
import { readDeviceLinks } from './device-links.ts';
import { readMountViews } from './mount-namespaces.ts';
import { readBlocks } from './read-blocks.ts';
import { type BtrfsVolume, readBtrfs } from './read-btrfs.ts';
import type { Survey } from './survey.ts';

/**
 * Reads everything that has to be known before a use can be traced: block devices, udev's links, mounts as seen by
 * `pids` (our own and process 1 always) and btrfs members.
 */
export async function startSurvey(
  reader: SystemReader,
  pids: readonly number[],
): Promise<{ survey: Survey; btrfs: BtrfsVolume[] }> {
  const blocks = await readBlocks(reader);
  const links = await readDeviceLinks(reader);
  const mounts = await readMountViews(reader, pids);
  const btrfs = await readBtrfs(reader);
  const unseen: UnseenFact[] = [...blocks.unseen, ...links.unseen, ...mounts.unseen, ...btrfs.unseen];
  const map = makeBlockMap(blocks.nodes);
  const own = mounts.views.filter(({ namespace }) => namespace === 'own').flatMap((view) => view.mounts);
  const survey: Survey = {
    reader,
    map,
    disks: new Map(blocks.disks.map((disk) => [disk.name, disk])),
    links: links.links,
    views: mounts.views,
    tables: { reader, map, mounts: own, btrfs: btrfs.volumes },
    unseen,
    untraced: new Set(),
  };
  return { survey, btrfs: btrfs.volumes };
}
