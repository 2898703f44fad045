import type { Finding } from './finding.ts';
import type { RootLook } from './root-facts.ts';

export type ContainerKind = 'raw' | 'gz' | 'xz' | 'zst' | 'bz2' | 'zip';

/** How the unpacked size is known: from the container's own fields, from a whole decoding, or not yet. */
export type SizeSource = 'format' | 'decoded' | 'unknown';

export interface ImagePartition {
  number: number;
  startByte: number;
  sizeBytes: number;
  /** MBR type byte as two hex digits ("0c") or GPT type GUID in upper case */
  type: string;
  /** GPT name; null in an MBR */
  name: string | null;
  bootable: boolean;
}

export type TableKind = 'mbr' | 'gpt';

/** `bare`: a file system without a table; `opaque`: neither (an image under a MiB, a boot loader alone) */
export type ImageShape = 'partitioned' | 'hybrid' | 'bare' | 'opaque';

export interface ImageTable {
  kind: TableKind;
  /** sector size the table is laid out for */
  sectorBytes: number;
  partitions: ImagePartition[];
  /** MBR disk signature (8 hex digits) or GPT disk GUID */
  diskId: string;
}

/** A volume inside the image, by what its first sectors say. */
export interface ImageVolume {
  /** partition number, or 0 for the whole image */
  partition: number;
  startByte: number;
  sizeBytes: number;
  /** "fat12", "fat16", "fat32", "ext4", "iso9660", … */
  type: string;
  label: string | null;
}

export interface ImageFacts {
  path: string;
  container: ContainerKind;
  packedBytes: number;
  /** bytes that go onto the card, null while not known */
  sizeBytes: number | null;
  sizeFrom: SizeSource;
  /** the name inside a zip; null otherwise */
  memberName: string | null;
  shape: ImageShape;
  table: ImageTable | null;
  volumes: ImageVolume[];
  /** the FAT volume that carries first-boot files: partition number and extent; null where there is none */
  bootVolume: ImageVolume | null;
  /** SHA-256 of the file as stored, where it was computed */
  packedSha256: string | null;
  /** tells this very file from any other or later one (device, inode, size, times); absent in records */
  fileStamp?: string;
  /** what its root volume says about the first boot; absent where the image is packed and was not unpacked as a whole */
  root?: RootLook;
  findings: Finding[];
}
