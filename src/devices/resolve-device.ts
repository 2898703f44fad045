import { CardwrightError } from '../contract/cardwright-error.ts';
import type { CardIdentity, DeviceGraph, Disk } from '../contract/devices.ts';
import type { SystemReader } from '../contract/system-reader.ts';

const portPattern = /^((?:usb|mmc|memstick|pci):[0-9a-z:.-]+?)(?:\/(\d+))?$/;

/** The reader as a person types it: "usb:1-2", "usb:1-2/1" for a further slot; the node where no port is known. */
export function describePort({ port, lun, node }: Pick<CardIdentity, 'port' | 'lun' | 'node'>): string {
  if (port === null) return node;
  return lun ? `${port}/${lun}` : port;
}

function atPort(graph: DeviceGraph, text: string, port: string, lun: number | null): Disk {
  const matches = <T extends { port: string | null; lun: number | null }>(slots: readonly T[]): T[] =>
    slots.filter((slot) => slot.port === port && (lun === null || (slot.lun ?? 0) === lun));
  // A module's boot areas hang on the same port and are never what is meant.
  const disks = matches(graph.disks).filter(({ kind }) => kind !== 'mmc-boot');
  const [only, another] = disks;
  if (only && !another) return only;
  if (only) {
    const choices = disks.map((disk) => `${port}/${disk.lun ?? 0} (${disk.node})`).join(', ');
    throw new CardwrightError('devices.port-ambiguous', { facts: { device: text, choices } });
  }
  const empty = matches(graph.emptyReaders);
  const usbId = empty.find(({ bootModeId }) => bootModeId !== undefined)?.bootModeId;
  if (usbId !== undefined)
    throw new CardwrightError('devices.module-waits', { facts: { device: text, usbId } });
  const isEmpty = empty.length > 0;
  throw new CardwrightError(isEmpty ? 'devices.port-empty' : 'devices.nothing-there', {
    facts: { device: text },
  });
}

async function numbersOf(reader: SystemReader, text: string): Promise<string> {
  const numbers = await reader.stat(text);
  if (!numbers.ok) {
    const isMissing = numbers.why === 'ENOENT' || numbers.why === 'ENOTDIR';
    if (isMissing) throw new CardwrightError('devices.nothing-there', { facts: { device: text } });
    throw new CardwrightError('devices.unreadable', { facts: { device: text, why: numbers.why } });
  }
  const { kind, rdev } = numbers.value;
  if (kind === 'block' && rdev !== null) return rdev;
  const found = kind === 'character' ? 'character device' : kind;
  throw new CardwrightError('devices.not-a-block-device', { facts: { device: text, found } });
}

async function atPath(reader: SystemReader, graph: DeviceGraph, text: string): Promise<Disk> {
  const numbers = await numbersOf(reader, text);
  const disk = graph.disks.find(({ majorMinor }) => majorMinor === numbers);
  if (disk) return disk;
  const whole = graph.disks.find(({ partitions }) => partitions.some((part) => part.majorMinor === numbers));
  if (whole) {
    throw new CardwrightError('devices.is-partition', { facts: { device: text, disk: whole.node } });
  }
  throw new CardwrightError('devices.not-listed', { facts: { device: text, numbers } });
}

/**
 * The disk that a person means: by a node or any link to one ("/dev/sdb", "/dev/disk/by-id/…"), or by a reader's
 * port ("usb:1-2", "usb:1-2/1" for its second slot).
 *
 * @throws CardwrightError `devices.not-a-name`, `devices.nothing-there`, `devices.port-empty`,
 *   `devices.module-waits`, `devices.port-ambiguous`, `devices.is-partition`, `devices.not-a-block-device`, `devices.not-listed`,
 *   `devices.unreadable`
 */
export async function resolveDevice(reader: SystemReader, graph: DeviceGraph, text: string): Promise<Disk> {
  if (text.startsWith('/')) return atPath(reader, graph, text);
  const [, port, lun] = text.match(portPattern) ?? [];
  if (port === undefined) throw new CardwrightError('devices.not-a-name', { facts: { device: text } });
  return atPort(graph, text, port, lun === undefined ? null : Number(lun));
}
