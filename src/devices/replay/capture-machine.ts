import type { DeviceGraph } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { buildDeviceGraph } from '../build-graph.ts';
import { readIdentity } from '../read-identity.ts';
import type { Capture } from './capture.ts';
import { recordReads } from './record-reads.ts';
import { reduceCapture } from './reduce-capture.ts';

export interface CapturedMachine {
  /** contains serial numbers and names of this machine until `scrubCapture` was at it */
  capture: Capture;
  /** as the machine showed itself; the capture replays to the same */
  graph: DeviceGraph;
}

/**
 * Captures what the device graph of this machine is built from, and the identity of every disk, reduced to what
 * bears on disks.
 */
export async function captureMachine(reader: SystemReader, note = ''): Promise<CapturedMachine> {
  const recording = recordReads(reader, { origin: 'captured', note });
  const graph = await buildDeviceGraph(recording.reader);
  for (const { majorMinor } of graph.disks) await readIdentity(recording.reader, majorMinor);
  return { capture: reduceCapture(recording.capture()), graph };
}
