import type { DeviceGraph, Disk } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import type { GuardResult } from '../../contract/verdict.ts';
import { describePort } from '../../devices/resolve-device.ts';
import { wakeRemovable } from '../../devices/wake-removable.ts';
import type { Station } from '../../job/station/survey-disks.ts';

/** What there is, cheaply: whether a whole look is worth it. Disks that a job writes to are not opened for it. */
export async function glanceAtReaders(station: Pick<Station, 'reader' | 'busyDisks'>): Promise<string> {
  const { reader } = station;
  await wakeRemovable(reader, { leaveAlone: station.busyDisks() });
  const blocks = await namesIn(reader, '/sys/block');
  const facts = await Promise.all(
    blocks.flatMap((name) =>
      ['size', 'diskseq'].map(async (attribute) => {
        const text = await reader.readText(`/sys/block/${name}/${attribute}`);
        return `${name} ${attribute} ${text.ok ? text.value.trim() : ''}`;
      }),
    ),
  );
  const usb = await namesIn(reader, '/sys/bus/usb/devices');
  return [...facts, ...usb].join('\n');
}

async function namesIn(reader: SystemReader, folder: string): Promise<string[]> {
  const names = await reader.list(folder);
  return names.ok ? names.value : [];
}

/** One card in one reader: another card, or the same one put in again, has another key. */
export function cardKey({ diskseq, majorMinor, sizeBytes }: Disk): string {
  return `${majorMinor} ${diskseq ?? 'no number'} ${sizeBytes}`;
}

/** Is this disk one that the batch looks at? With readers named, those alone. */
export function isCandidate(
  { disk, result }: { disk: Disk; result: GuardResult },
  { readers, transports }: { readers: readonly string[]; transports: readonly string[] },
): boolean {
  if (disk.kind === 'mmc-boot') return false;
  if (readers.length > 0) return readers.includes(describePort(disk)) || readers.includes(disk.node);
  // What a policy allows by name is allowed by the guard; of what is refused, cards alone are worth a word.
  return result.verdict !== 'refused' || transports.includes(disk.kind);
}

/** Modules that wait in their boot mode, each with its port. */
export function waitingModules({ emptyReaders }: DeviceGraph): { port: string; name: string }[] {
  return emptyReaders.flatMap(({ port, name }) => (name?.includes('boot mode') ? [{ port, name }] : []));
}
