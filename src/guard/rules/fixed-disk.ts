import type { Code } from '../../contract/catalogue/index.ts';
import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import { namedInPolicy } from '../allowed-device.ts';
import type { GuardContext } from '../context.ts';
import { kindNames } from '../kind-names.ts';

function fixedCode(disk: Disk): Code | null {
  switch (disk.kind) {
    case 'mmc-emmc':
      return 'guard.soldered';
    case 'nvme':
    case 'sata':
    case 'scsi':
    case 'virtio':
      return 'guard.fixed-disk';
    case 'usb':
      // A built-in reader is hardwired as well: there the medium is what comes and goes.
      return disk.usbConnectType === 'hardwired' && !disk.removable ? 'guard.hardwired' : null;
    default:
      return null;
  }
}

/**
 * Rule 8: modules soldered to the board and disks built into the machine, even where the policy's transports list
 * their kind. Only `allowDevices` lifts it, one disk at a time.
 */
export function refuseFixedDisks(disk: Disk, { policy }: GuardContext): Finding[] {
  const code = fixedCode(disk);
  if (code === null) return [];
  const facts = { disk: disk.name, kind: kindNames[disk.kind] };
  const entry = namedInPolicy(disk, policy);
  return entry === null
    ? [finding(code, 'refuse', facts)]
    : [finding('guard.fixed-but-named', 'note', { ...facts, entry, source: policy.source })];
}
