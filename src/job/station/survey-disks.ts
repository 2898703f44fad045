import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { CardIdentity, DeviceGraph, Disk } from '../../contract/devices.ts';
import type { Policy } from '../../contract/policy.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import type { GuardResult } from '../../contract/verdict.ts';
import { buildSteadyGraph } from '../../devices/build-steady-graph.ts';
import { wakeRemovable } from '../../devices/wake-removable.ts';
import { approvalCode } from '../../guard/approval/approval-code.ts';
import { digestContent } from '../../guard/approval/content-digest.ts';
import type { GuardImage } from '../../guard/context.ts';
import { judgeDisk } from '../../guard/judge-disk.ts';

/** What a look at the machine needs. */
export interface Station {
  reader: SystemReader;
  policy: Policy;
  /** the key of the approval codes */
  key: Uint8Array;
  /** disks, by kernel name, that a job of this station is writing to now */
  busyDisks(): string[];
}

export interface SurveyedDisk {
  disk: Disk;
  result: GuardResult;
}

/**
 * The disks as they are now, each judged. Removable ones are opened once first: only then does the kernel notice a
 * changed card; those that a job writes to are left alone. `exemptPids`: processes of our own that may hold a disk open.
 */
export async function surveyDisks(
  station: Omit<Station, 'key'>,
  image: GuardImage | null,
  exemptPids: readonly number[] = [process.pid],
): Promise<{ graph: DeviceGraph; disks: SurveyedDisk[] }> {
  const leaveAlone = station.busyDisks();
  await wakeRemovable(station.reader, { leaveAlone });
  const graph = await buildSteadyGraph(station.reader, {
    exemptPids,
    leaveAlone,
    bootModeIds: station.policy.bootModeIds,
  });
  const context = { graph, policy: station.policy, image };
  return { graph, disks: graph.disks.map((disk) => ({ disk, result: judgeDisk(disk, context) })) };
}

/**
 * The approval code of a disk as it is now.
 *
 * @throws CardwrightError `job.content-unreadable`
 */
export async function codeOfDisk(
  key: Uint8Array,
  identity: CardIdentity,
  reader: Pick<SystemReader, 'readBytes'>,
): Promise<string> {
  const content = await digestContent(reader, identity.node, identity.sizeBytes);
  if (!content.ok) {
    const facts = { node: identity.node, reason: content.why };
    throw new CardwrightError('job.content-unreadable', { card: 'untouched', facts });
  }
  return approvalCode(key, identity, content.value);
}
