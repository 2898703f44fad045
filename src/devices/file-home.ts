import type { DeviceGraph } from '../contract/devices.ts';
import type { SystemReader } from '../contract/system-reader.ts';
import { standingsOf } from './linux/block-map.ts';
import { joinStacks } from './linux/stack-uses.ts';
import { startSurvey } from './linux/start-survey.ts';
import { homeOfFile } from './linux/storage-homes.ts';

/**
 * On which disks, by name, a file lies: through file systems, loops, volumes and encryption down to the last one.
 * `disks` is empty for a file in memory or on the network. `traced` is false where part of the way is not known, or
 * leads to a disk that the graph does not list; then it could be any disk.
 */
export async function findFileHome(
  reader: SystemReader,
  graph: DeviceGraph,
  path: string,
): Promise<{ disks: string[]; traced: boolean }> {
  const { survey } = await startSurvey(reader, []);
  const loops = await joinStacks(survey);
  const home = await homeOfFile(survey.tables, path);
  const standings = home.blocks.flatMap((block) => standingsOf(survey.map, block));
  const disks = [...new Set(standings.map(({ disk }) => disk))];
  const lostLoops = new Set(loops.filter((one) => one.home.why !== null).map(({ loop }) => loop));
  const isKnown = (name: string): boolean =>
    !lostLoops.has(name) && graph.disks.some((disk) => disk.name === name);
  const isSeen = !survey.unseen.some(({ decides }) => decides);
  return { disks, traced: home.why === null && isSeen && disks.every(isKnown) };
}
