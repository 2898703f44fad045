import type { DeviceGraph, Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { GuardContext } from '../context.ts';

function isDeviceNode(path: string, graph: DeviceGraph): boolean {
  const nodes = graph.disks.flatMap((disk) => [disk.node, ...disk.partitions.map((p) => p.node)]);
  return nodes.includes(path) || (path.startsWith('/dev/') && !path.startsWith('/dev/shm/'));
}

/** Who else lives in the same file: a second loop device over it, or a swap or mount of the file itself. */
function otherTenant(disk: Disk, backingFile: string, graph: DeviceGraph): string | null {
  for (const other of graph.disks) {
    if (other.name !== disk.name && other.backingFile === backingFile) return other.node;
    const use = other.uses.find((u) => u.kind !== 'loop-backing' && u.what === backingFile);
    if (use !== undefined) return `${use.kind} ${use.what}`;
  }
  return null;
}

/**
 * Rule 1 for loop devices that a policy names: what is written to a loop device lands in its backing file, so that
 * has to be a plain file that nothing else uses. A loop device over a disk would be a way round every other rule.
 */
export function requireOwnLoopStorage(disk: Disk, { graph }: GuardContext): Finding[] {
  if (disk.kind !== 'loop') return [];
  const { backingFile } = disk;
  if (backingFile === null || backingFile === '') {
    return [finding('guard.loop-file-unknown', 'refuse', { disk: disk.name })];
  }
  if (isDeviceNode(backingFile, graph)) {
    return [finding('guard.loop-over-disk', 'refuse', { disk: disk.name, backingFile })];
  }
  const tenant = otherTenant(disk, backingFile, graph);
  return tenant === null
    ? []
    : [finding('guard.loop-file-shared', 'refuse', { disk: disk.name, backingFile, tenant })];
}
