import type { CardIdentity } from '../contract/devices.ts';
import type { Answer, SystemReader } from '../contract/system-reader.ts';
import { findDeviceFolder, readDisk } from './linux/read-disk.ts';

/** A record, not a list, so that the compiler misses no field of an identity. */
const compared: Readonly<Record<keyof CardIdentity, true>> = {
  node: true,
  majorMinor: true,
  port: true,
  lun: true,
  vendor: true,
  model: true,
  serial: true,
  cid: true,
  sizeBytes: true,
  diskseq: true,
};
const fields = Object.keys(compared) as (keyof CardIdentity)[];

function pickIdentity(from: CardIdentity): CardIdentity {
  const { node, majorMinor, port, lun, vendor, model, serial, cid, sizeBytes, diskseq } = from;
  return { node, majorMinor, port, lun, vendor, model, serial, cid, sizeBytes, diskseq };
}

/**
 * Reads afresh, by device numbers, what distinguishes the card in one reader from any other. The disk itself is not
 * opened. An answer that says why where the device is gone (`ENOENT`), is a partition, or hides a fact.
 */
export async function readIdentity(reader: SystemReader, majorMinor: string): Promise<Answer<CardIdentity>> {
  const folder = await findDeviceFolder(reader, majorMinor);
  if (!folder.ok) return folder;
  const partition = await reader.readText(`${folder.value}/partition`);
  if (partition.ok) return { ok: false, why: 'a partition' };
  const disk = await readDisk(reader, folder.value);
  const [missing] = disk.unseen.filter(({ decides }) => decides);
  if (missing) return { ok: false, why: `${missing.what}: ${missing.why}` };
  if (disk.majorMinor !== majorMinor) return { ok: false, why: `now ${disk.majorMinor}` };
  return { ok: true, value: pickIdentity(disk) };
}

/** Names of the fields in which two identities differ; empty where they are the same card in the same reader. */
export function compareIdentity(a: CardIdentity, b: CardIdentity): string[] {
  return fields.filter((field) => a[field] !== b[field]);
}
