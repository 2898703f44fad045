import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';

/** Hardware partitions of an eMMC module, which the kernel lists as disks of their own (kernel: mmc-dev-parts). */
const hardwarePartition = /^mmcblk\d+(boot|rpmb|gp)\d*$/;

/** Rule 7: boot areas, general-purpose areas and the replay-protected block of an eMMC module are never written. */
export function refuseBootAreas(disk: Disk): Finding[] {
  const isBootArea = disk.kind === 'mmc-boot' || hardwarePartition.test(disk.name);
  return isBootArea ? [finding('guard.boot-area', 'refuse', { disk: disk.name })] : [];
}
