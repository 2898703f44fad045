/** Cards and readers that come and go while the guest runs, over QEMU's control socket. */
import { deviceOptions, driveOption, type GuestDisk } from './machine.ts';
import type { Qmp } from './qmp.ts';

export interface Plugs {
  /** Pulls a USB disk, reader and all; waits until the machine has let it go. */
  unplug(id: string): Promise<void>;
  /** Plugs in a USB disk, also one under the name of a pulled one. */
  plug(disk: GuestDisk & { id: string }): Promise<void>;
  /** Another card into the same reader (usb, slot, mmc). The guest's kernel notices at its next look or open. */
  changeMedium(id: string, file: string): Promise<void>;
  /** Takes the card out of its reader (usb, slot, mmc); the reader stays. */
  removeMedium(id: string): Promise<void>;
}

/** QMP wants booleans and numbers as such where the command line has words; serial numbers and ports stay words. */
function typed(name: string, text: string): string | boolean | number {
  if (text === 'on' || text === 'off') return text === 'on';
  return /^\d+$/.test(text) && !['serial', 'port'].includes(name) ? Number(text) : text;
}

/** "usb-storage,id=card,removable=on" as arguments of device_add. */
function deviceArguments(option: string): Record<string, unknown> {
  const [driver, ...pairs] = option.split(',');
  const properties = pairs.map((pair) => {
    const [name = '', text = ''] = pair.split('=');
    return [name, typed(name, text)];
  });
  return { driver, ...Object.fromEntries(properties) };
}

export function makePlugs(qmp: Qmp): Plugs {
  return {
    async unplug(id) {
      const since = qmp.events.length;
      await qmp.execute('device_del', { id });
      await qmp.waitForEvent('DEVICE_DELETED', since, ({ device }) => device === id);
    },
    async plug(disk) {
      if (!['usb', 'usbfixed', 'uas'].includes(disk.kind))
        throw new Error(`lab: ${disk.kind} has no hot-plug here`);
      await qmp.executeHuman(`drive_add 0 ${driveOption(disk)}`);
      const devices = deviceOptions(disk);
      for (const device of devices) await qmp.execute('device_add', deviceArguments(device));
      // A USB device that is put together piece by piece shows itself only when told.
      if (disk.kind !== 'uas' && devices.length > 1) {
        await qmp.execute('qom-set', {
          path: `/machine/peripheral/${disk.id}`,
          property: 'attached',
          value: true,
        });
      }
    },
    async changeMedium(id, file) {
      const medium = { device: `${id}-medium`, filename: file, format: 'raw', force: true };
      await qmp.execute('blockdev-change-medium', medium);
    },
    async removeMedium(id) {
      await qmp.execute('eject', { device: `${id}-medium`, force: true });
    },
  };
}
