import type { DeviceGraph, Disk, UnseenFact } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';

type MissingFact = Pick<UnseenFact, 'what' | 'why'>;

function isPowerOfTwo(value: number): boolean {
  return Number.isSafeInteger(value) && Number.isInteger(Math.log2(value));
}

/** What enumeration would have called unseen, had it been asked: facts that the rules rely on and that make no sense. */
function missingFacts(disk: Disk, graph: DeviceGraph): MissingFact[] {
  const missing: MissingFact[] = [];
  const add = (what: string, why: string) => missing.push({ what, why });
  // Whoever looked for the content and failed has said so already, with a better reason.
  const isExplained = disk.unseen.some((fact) => fact.decides);
  if (disk.signatures === null && !isExplained) add('what stands on it now', 'its content was not read');
  if (!Number.isSafeInteger(disk.sizeBytes)) add('its size', 'the number given makes no sense');
  if (!isPowerOfTwo(disk.logicalBlockBytes)) add('its block size', 'the number given makes no sense');
  const isListed = graph.disks.some((d) => d.name === disk.name && d.majorMinor === disk.majorMinor);
  if (!isListed) add('its place in the machine', 'it is not in the list of disks it is judged by');
  return missing;
}

/**
 * Rule 11: what cannot be seen refuses. Any deciding fact of the disk or of the machine that could not be had, and
 * anything of the running system that could not be traced to a disk: it might be this one.
 */
export function refuseUnseenFacts(disk: Disk, { graph }: GuardContext): Finding[] {
  const ofDisk = [...disk.unseen.filter((fact) => fact.decides), ...missingFacts(disk, graph)];
  return [
    ...ofDisk.map(({ what, why }) => finding('guard.fact-unseen', 'refuse', { disk: disk.name, what, why })),
    ...graph.unseen
      .filter((fact) => fact.decides)
      .map(({ what, why }) => finding('guard.machine-fact-unseen', 'refuse', { what, why })),
    ...graph.untraced.map((what) => finding('guard.untraced', 'refuse', { what })),
  ];
}
