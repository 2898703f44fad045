import type { SystemReader } from '../../contract/system-reader.ts';
import { mapLimited } from '../map-limited.ts';

/**
 * USB ids (vendor:product) under which a module shows itself while it waits to be told what to boot: it has no disk
 * yet. From public udev rules and build-system notes; of these only the last three are in usb.ids (2025-07-26).
 */
const knownIds: readonly string[] = [
  '0a5c:2763',
  '0a5c:2764',
  '0a5c:2711',
  '0a5c:2712',
  '2207:330c',
  '2207:320c',
  '1f3a:efe8',
];

/** A module that has power and a USB cable, and waits for its boot files. */
export interface WaitingModule {
  /** "usb:2-1" */
  port: string;
  /** "0a5c:2711" */
  usbId: string;
}

/**
 * The modules that wait in their boot mode now, by port. Two small files a USB device are read, and no disk is
 * touched: it may be asked as often as one waits for a card. A device that goes away meanwhile is not there.
 *
 * @param moreIds ids beyond those that are known here, lower case
 */
export async function findWaitingModules(
  reader: Pick<SystemReader, 'list' | 'readText'>,
  moreIds: readonly string[] = [],
): Promise<WaitingModule[]> {
  const ids = new Set([...knownIds, ...moreIds]);
  const devices = await reader.list('/sys/bus/usb/devices');
  const ports = devices.ok ? devices.value.filter((name) => /^\d+-[\d.]+$/.test(name)) : [];
  const found = await mapLimited(ports, 4, async (port): Promise<WaitingModule | null> => {
    const vendor = await reader.readText(`/sys/bus/usb/devices/${port}/idVendor`);
    const product = await reader.readText(`/sys/bus/usb/devices/${port}/idProduct`);
    const usbId = vendor.ok && product.ok ? `${vendor.value.trim()}:${product.value.trim()}` : '';
    return ids.has(usbId) ? { port: `usb:${port}`, usbId } : null;
  });
  return found.filter((one) => one !== null);
}
