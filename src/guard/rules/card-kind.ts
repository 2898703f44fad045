import type { Disk, DiskKind } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import { namedInPolicy } from '../allowed-device.ts';
import type { GuardContext } from '../context.ts';
import { kindNames } from '../kind-names.ts';

/** What stands on something else, or is no disk at all: naming it in a policy would mean writing what lies below. */
const neverCards: ReadonlySet<DiskKind> = new Set<DiskKind>([
  'optical',
  'device-mapper',
  'md',
  'zram',
  'ram',
  'nbd',
  'other-virtual',
]);

/**
 * Rule 1, second half: a kind of disk that this station writes. A loop device, and a transport that the policy
 * leaves out, pass only where `allowDevices` names the disk; stacked and imaginary disks never do.
 */
export function requireCardKind(disk: Disk, { policy }: GuardContext): Finding[] {
  const facts = { disk: disk.name, kind: kindNames[disk.kind] };
  if (disk.kind === 'unknown') return [finding('guard.kind-unknown', 'refuse', facts)];
  if (neverCards.has(disk.kind)) return [finding('guard.not-a-card', 'refuse', facts)];
  if (disk.kind !== 'loop' && policy.transports.includes(disk.kind)) return [];
  const entry = namedInPolicy(disk, policy);
  if (entry !== null) {
    return [finding('guard.named-in-policy', 'note', { ...facts, entry, source: policy.source })];
  }
  return disk.kind === 'loop'
    ? [finding('guard.loop-not-named', 'refuse', facts)]
    : [finding('guard.transport-not-allowed', 'refuse', { ...facts, source: policy.source })];
}
