import * as z from 'zod';
import type { ImageFacts } from '../../contract/image.ts';
import type { SeedWish } from '../../job/station/place-seed.ts';
import { findingForm } from './error-form.ts';

const text = z.string().max(4096);
const bytes = z.int().min(0);
const number = z.int().min(0).max(4096);
export const sha256Hex = z.string().regex(/^[0-9a-f]{64}$/, 'no SHA-256 in hex');

const partition = z.strictObject({
  number,
  startByte: bytes,
  sizeBytes: bytes,
  type: text,
  name: text.nullable(),
  bootable: z.boolean(),
});
const tableKind = z.enum(['mbr', 'gpt']);
/** UEFI, section 5.3: blocks of 512 bytes or a larger power of two. */
const sectorBytes = z.int().min(512).max(65_536);

const table = z.strictObject({
  kind: tableKind,
  sectorBytes,
  partitions: z.array(partition).max(1024),
  diskId: text,
});
const volume = z.strictObject({
  partition: number,
  startByte: bytes,
  sizeBytes: bytes,
  type: text,
  label: text.nullable(),
});

/**
 * What the sender found out about its image (`ImageFacts`). The station believes none of it about any disk: wrong facts
 * make a wrong card, or a job that fails when it reads back.
 */
export const imageForm = z.strictObject({
  path: text,
  container: z.enum(['raw', 'gz', 'xz', 'zst', 'bz2', 'zip']),
  packedBytes: bytes,
  sizeBytes: bytes.nullable(),
  sizeFrom: z.enum(['format', 'decoded', 'unknown']),
  memberName: text.nullable(),
  shape: z.enum(['partitioned', 'hybrid', 'bare', 'opaque']),
  table: table.nullable(),
  volumes: z.array(volume).max(1025),
  bootVolume: volume.nullable(),
  packedSha256: sha256Hex.nullable(),
  fileStamp: text.optional(),
  root: z.looseObject({ state: z.enum(['read', 'unread', 'absent']) }).optional(),
  findings: z.array(findingForm).max(1000),
});

export const seedForm = z.strictObject({
  table,
  room: z.strictObject({
    kind: tableKind,
    sectorBytes,
    freeNumber: number.nullable(),
    entryCount: number,
    endByte: bytes,
    backupBytes: bytes,
  }),
  partition: number,
  imageBytes: bytes,
}) satisfies z.ZodType<SeedWish>;

/** The form is checked for its shape; the names of codes and of what stands in a root volume are its sender's. */
export const imageFacts = (form: z.infer<typeof imageForm>): ImageFacts => form as unknown as ImageFacts;
