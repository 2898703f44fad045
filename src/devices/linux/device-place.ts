/** Where a disk hangs, taken from its sysfs path (Documentation/admin-guide/sysfs-rules.rst: walk the path). */
export interface DevicePlace {
  /** "usb:1-2.3", "mmc:0", "memstick:0", "pci:0000:00:05.0", "pci:0000:00:1f.2-ata1"; null where the path does not tell */
  port: string | null;
  /** SCSI logical unit; null off SCSI */
  lun: number | null;
  /** folder of the USB device that carries the disk */
  usbFolder: string | null;
  /** folder of the mmc card (the one with `cid`) */
  mmcFolder: string | null;
  /** folder of the SCSI device (the one with `vendor`, `model`, `scsi_generic`) */
  scsiFolder: string | null;
  /** folder of the NVMe controller or subsystem (the one with `serial`) */
  nvmeFolder: string | null;
}

/** The path up to and including the last part that matches, or null. */
function folderOf(parts: readonly string[], pattern: RegExp): string | null {
  const at = parts.findLastIndex((part) => pattern.test(part));
  return at < 0 ? null : parts.slice(0, at + 1).join('/');
}

function lastMatch(parts: readonly string[], pattern: RegExp): RegExpMatchArray | null {
  for (const part of parts.toReversed()) {
    const match = part.match(pattern);
    if (match) return match;
  }
  return null;
}

function pciPort(parts: readonly string[], scsi: RegExpMatchArray | null): string | null {
  const pci = lastMatch(parts, /^[0-9a-f]{4,}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]$/)?.[0];
  if (!pci) return null;
  const ata = lastMatch(parts, /^ata\d+$/)?.[0];
  if (ata) return `pci:${pci}-${ata}`;
  return scsi ? `pci:${pci}-scsi${scsi[2]}:${scsi[3]}` : `pci:${pci}`;
}

function portOf(parts: readonly string[], scsi: RegExpMatchArray | null): string | null {
  const mmc = lastMatch(parts, /^mmc(\d+)$/);
  if (mmc && parts.includes('mmc_host')) return `mmc:${mmc[1]}`;
  const stick = lastMatch(parts, /^memstick(\d+)$/);
  if (stick) return `memstick:${stick[1]}`;
  const usb = lastMatch(parts, /^\d+-\d+(\.\d+)*$/);
  return usb ? `usb:${usb[0]}` : pciPort(parts, scsi);
}

export function devicePlace(devicePath: string): DevicePlace {
  const parts = devicePath.split('/');
  const scsi = lastMatch(parts, /^(\d+):(\d+):(\d+):(\d+)$/);
  return {
    port: portOf(parts, scsi),
    lun: scsi ? Number(scsi[4]) : null,
    usbFolder: folderOf(parts, /^\d+-\d+(\.\d+)*$/),
    mmcFolder: folderOf(parts, /^mmc\d+:[0-9a-f]{4}$/),
    scsiFolder: folderOf(parts, /^\d+:\d+:\d+:\d+$/),
    nvmeFolder: folderOf(parts, /^(nvme\d+|nvme-subsys\d+)$/),
  };
}
