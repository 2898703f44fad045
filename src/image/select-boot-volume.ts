import type { ImageTable, ImageVolume } from '../contract/image.ts';

/** FAT types of an MBR: FAT12, FAT16 (three kinds), FAT32 (two), EFI (sfdisk --label dos -T) */
const mbrTypes: ReadonlySet<string> = new Set(['01', '04', '06', '0e', '0b', '0c', 'ef']);

/** GPT types that a boot volume has (UEFI 2.11 section 5.3.3; Discoverable Partitions Specification) */
const gptTypes: ReadonlySet<string> = new Set([
  // EFI system, extended boot loader partition, basic data
  'C12A7328-F81F-11D2-BA4B-00A0C93EC93B',
  'BC13C2FF-59E6-4262-A352-B275FD6F7172',
  'EBD0A0A2-B9E5-4433-87C0-68B6B72699C7',
]);

const isFat = ({ type }: ImageVolume) => type.startsWith('fat');

function hasBootType(volume: ImageVolume, table: ImageTable): boolean {
  const type = table.partitions.find(({ number }) => number === volume.partition)?.type;
  return type !== undefined && (table.kind === 'gpt' ? gptTypes : mbrTypes).has(type);
}

/**
 * The FAT volume that carries a node's first-boot files. In this order:
 * 1. a FAT volume with the label CIDATA (either case): it is there for nothing else;
 * 2. a bare FAT volume, the whole image;
 * 3. the first partition that is FAT and has a type that boot volumes have;
 * 4. the only FAT volume there is, whatever its type.
 * An image that is an ISO 9660 volume as a whole has none: what is inside it is not read by the node.
 */
export function selectBootVolume(
  volumes: readonly ImageVolume[],
  table: ImageTable | null,
): ImageVolume | null {
  if (volumes.some(({ partition, type }) => partition === 0 && type === 'iso9660')) return null;
  const fat = volumes.filter(isFat).sort((a, b) => a.partition - b.partition);
  const seed = fat.find(({ label }) => label === 'CIDATA' || label === 'cidata');
  const whole = fat.find(({ partition }) => partition === 0);
  const typed = table ? fat.find((volume) => hasBootType(volume, table)) : undefined;
  return seed ?? whole ?? typed ?? (fat.length === 1 ? (fat[0] ?? null) : null);
}
