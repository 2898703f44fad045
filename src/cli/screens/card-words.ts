import type { CardIdentity, Disk, Partition, Wear } from '../../contract/devices.ts';
import { escapeText } from '../../contract/escape-text.ts';
import { formatCount, formatSize } from '../text/sizes.ts';

type Named = Pick<CardIdentity, 'vendor' | 'model' | 'serial' | 'cid'>;
type Placed = Pick<CardIdentity, 'port' | 'lun' | 'node'>;

/** What a card calls itself: "STORAGE DEVICE, no serial", "SC32G 0x12345678". */
export function cardName({ vendor, model, serial, cid }: Named): string {
  const name = [vendor, model]
    .map((part) => escapeText((part ?? '').trim(), 40))
    .filter((part) => part !== '')
    .join(' ');
  const known = serial?.trim() ? escapeText(serial.trim(), 40) : null;
  if (known !== null) return name === '' ? `unnamed ${known}` : `${name} ${known}`;
  return `${name === '' ? 'unnamed card' : name}, ${cid ? 'serial in its CID only' : 'no serial'}`;
}

/** Disks built into the machine hang on its bus: nobody calls that a reader. */
const builtIn = /^pci:/;

/** The reader as it is typed on the command line, "usb:1-2"; the disk's name where there is no reader. */
export function readerName({ port, lun, node }: Placed): string {
  if (port === null || builtIn.test(port)) return escapeText(node.replace(/^\/dev\//, ''));
  return escapeText(lun === null || lun === 0 ? port : `${port} slot ${lun}`);
}

/** What stands on the card now, a phrase a volume: "BOOT (vfat, 512 MB)". Empty where it could not be read. */
export function contentsOf(disk: Disk): string[] {
  if (disk.signatures === null) return [];
  const whole = volumePhrase(disk, disk.name, disk.sizeBytes);
  const parts = disk.partitions.map(
    (part) => volumePhrase(disk, part.name, part.sizeBytes) ?? unknownPart(disk, part),
  );
  const all = whole === null ? parts : [whole, ...parts];
  if (all.length > 0) return all;
  const table = disk.signatures.find((signature) => signature.tableType !== null);
  return [table ? `a partition table (${table.tableType}), no partition seen` : 'nothing that is recognized'];
}

function volumePhrase(disk: Disk, name: string, sizeBytes: number): string | null {
  const signature = disk.signatures?.find((one) => one.on === name && one.type !== null);
  if (!signature) return null;
  const label = signature.label?.trim() ? escapeText(signature.label.trim(), 40) : 'unnamed';
  const files = signature.fileCount ? `, ${formatCount(signature.fileCount)} files` : '';
  const type = escapeText(signature.type ?? '', 20);
  return `${label} (${type}, ${formatSize(sizeBytes)}${files})${mountPhrase(disk, name)}`;
}

function unknownPart(disk: Disk, part: Partition): string {
  const what = `partition ${part.number} (nothing recognized, ${formatSize(part.sizeBytes)})`;
  return what + mountPhrase(disk, part.name);
}

function mountPhrase(disk: Disk, name: string): string {
  const mount = disk.uses.find((use) => use.kind === 'mount' && use.on === name);
  return mount ? ` at ${escapeText(mount.what, 60)}` : '';
}

/** An eMMC's own account of its wear, in words (JEDEC JESD84-B51, EXT_CSD 267 to 269). */
export function wearPhrases({ lifeTimeA, lifeTimeB, preEndOfLife }: Wear): string[] {
  const reserve: Record<number, string> = {
    1: 'spare blocks: normal',
    2: 'spare blocks: 80 % used up',
    3: 'spare blocks: nearly used up',
  };
  return [
    lifeTimePhrase('A', lifeTimeA),
    lifeTimePhrase('B', lifeTimeB),
    preEndOfLife === null ? null : (reserve[preEndOfLife] ?? null),
  ].filter((phrase) => phrase !== null);
}

function lifeTimePhrase(area: string, lifeTime: number | null): string | null {
  if (lifeTime === null || lifeTime < 1 || lifeTime > 11) return null;
  if (lifeTime === 11) return `area ${area}: past its rated life`;
  return `area ${area}: ${(lifeTime - 1) * 10} to ${lifeTime * 10} % of its rated life used`;
}
