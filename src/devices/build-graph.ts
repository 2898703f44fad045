import type { DeviceGraph, Disk } from '../contract/devices.ts';
import type { SystemReader } from '../contract/system-reader.ts';
import { annotateFromDrivelist } from './linux/annotate-drivelist.ts';
import { recordConfigured } from './linux/configured-uses.ts';
import type { DeviceLink } from './linux/device-links.ts';
import { isEmptySlot, readEmptyReaders } from './linux/empty-readers.ts';
import { listProcesses } from './linux/mount-namespaces.ts';
import { recordMounts } from './linux/mount-uses.ts';
import { recordOpenFiles } from './linux/process-uses.ts';
import { recordJournals } from './linux/read-journals.ts';
import { readSignatures } from './linux/read-signatures.ts';
import { joinStacks, recordStacks } from './linux/stack-uses.ts';
import { startSurvey } from './linux/start-survey.ts';
import { recordSwaps } from './linux/swap-uses.ts';
import { mapLimited } from './map-limited.ts';

export interface GraphOptions {
  /** processes whose open descriptors do not count: a job's own */
  exemptPids?: readonly number[];
  /** disks, by kernel name, that must not be opened, since a job is writing to them; their signatures stay unknown */
  leaveAlone?: readonly string[];
  /** USB ids of modules in boot mode beyond those that are known */
  bootModeIds?: readonly string[];
}

function applyLinks(disks: readonly Disk[], links: readonly DeviceLink[]): void {
  const named = (kind: DeviceLink['kind'], name: string): DeviceLink[] =>
    links.filter((link) => link.kind === kind && link.name === name);
  for (const disk of disks) {
    disk.byIds = named('id', disk.name).map(({ path }) => path);
    for (const partition of disk.partitions) {
      partition.partUuid ??= named('partuuid', partition.name)[0]?.value ?? null;
    }
  }
}

async function probeDisks(
  reader: SystemReader,
  disks: readonly Disk[],
  leaveAlone: readonly string[],
): Promise<void> {
  await mapLimited(disks, 4, async (disk) => {
    if (!leaveAlone.includes(disk.name)) return readSignatures(reader, disk);
    const why = 'it is left alone while a job writes to it';
    disk.unseen.push({ what: `what stands on ${disk.name}`, why, decides: true });
  });
}

/**
 * Builds the device graph of this station: every disk that sysfs lists, and everything the running system has on
 * it, down through all stacks. Throws nothing: what could not be had is in `unseen` (of the disk or the graph),
 * and what could not be traced to a disk is in `untraced`; both refuse.
 */
export async function buildDeviceGraph(
  reader: SystemReader,
  options: GraphOptions = {},
): Promise<DeviceGraph> {
  const processes = await listProcesses(reader);
  const pids = processes.ok ? processes.value : [];
  const { survey, btrfs } = await startSurvey(reader, pids);
  if (!processes.ok) survey.unseen.push({ what: 'processes', why: processes.why, decides: true });
  const all = [...survey.disks.values()];
  const disks = all.filter((disk) => !isEmptySlot(disk));
  await probeDisks(reader, disks, options.leaveAlone ?? []);
  applyLinks(disks, survey.links);

  const loops = await joinStacks(survey);
  const mounted = await recordMounts(survey);
  const swaps = await recordSwaps(survey);
  recordStacks(survey, loops, btrfs);
  await recordJournals(survey);
  await recordConfigured(survey, mounted, swaps);
  await recordOpenFiles(survey, { pids, mounted, exemptPids: options.exemptPids ?? [] });

  const notAnnotated = await annotateFromDrivelist(reader, disks);
  if (notAnnotated !== null) survey.unseen.push({ what: 'drivelist', why: notAnnotated, decides: false });
  const emptyReaders = await readEmptyReaders(reader, all, options.bootModeIds ?? []);
  return { disks, emptyReaders, unseen: survey.unseen, untraced: [...survey.untraced] };
}
