import type { DeviceGraph } from '../contract/devices.ts';
import type { SystemReader } from '../contract/system-reader.ts';
import { buildDeviceGraph, type GraphOptions } from './build-graph.ts';

const mostLooks = 3;

/** What there is at this moment, cheaply: block devices with their sizes, proc(5) "partitions", and our mounts. */
async function glance(reader: SystemReader): Promise<string> {
  return JSON.stringify(
    await Promise.all(['/proc/partitions', '/proc/self/mountinfo'].map((path) => reader.readText(path))),
  );
}

function hasGap({ disks, unseen, untraced }: DeviceGraph): boolean {
  return (
    untraced.length > 0 ||
    unseen.some(({ decides }) => decides) ||
    disks.some((disk) => disk.unseen.some(({ decides }) => decides))
  );
}

/**
 * The device graph, looked for anew where something could not be seen or traced and the machine changed during the
 * look: a stick pulled out of another port at that moment is no reason to refuse this card. A gap that stays after
 * three looks, or that no change explains, stands.
 */
export async function buildSteadyGraph(
  reader: SystemReader,
  options: GraphOptions = {},
): Promise<DeviceGraph> {
  for (let look = 1; ; look += 1) {
    const before = await glance(reader);
    const graph = await buildDeviceGraph(reader, options);
    if (look === mostLooks || !hasGap(graph) || before === (await glance(reader))) return graph;
  }
}
