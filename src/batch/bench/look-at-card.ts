import { createHash } from 'node:crypto';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import { silentPort } from '../../contract/events.ts';
import { type DigestMap, mibBytes } from '../../contract/job.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { describePort } from '../../devices/resolve-device.ts';
import { readCardSelf } from '../../job/station/identify-card.ts';
import { codeOfDisk, type Station } from '../../job/station/survey-disks.ts';
import type { CardMatch, Records } from '../../records/record-types.ts';
import type { CardSeen, KnownRecord } from './bench-types.ts';
import { classifyContent, type Sample, sampleOffsets } from './card-content.ts';
import { findRoot, isEmptyRoot } from './empty-volume.ts';

const sampleCount = 64;
const blockBytes = 4096;

export interface LookParts {
  station: Station;
  records: Records;
  set: string;
  /** the batch's image; null where it could not be staged */
  map: DigestMap | null;
}

/**
 * Looks at a card that has just appeared, reading alone: what our identity file on it says, which records may speak of
 * it, and what stands on it by signatures and samples.
 *
 * @throws CardwrightError `job.content-unreadable`, `media.*`
 */
export async function lookAtCard(parts: LookParts, disk: Disk, wasThere: boolean): Promise<CardSeen> {
  const { station, records } = parts;
  const { reader } = station;
  const code = await codeOfDisk(station.key, disk, reader);
  const head = await readBytes(reader, disk, 0, Math.min(mibBytes, disk.sizeBytes));
  const headIsZero = isFilledWith(head, 0);
  const says = headIsZero ? null : await readIdentity(parts, disk);
  const { cid, serial, sizeBytes, port } = disk;
  const found = records.findForCard({ cid, serial, sizeBytes, port, identityUuid: says?.record ?? null });
  const content = classifyContent({
    disk,
    samples: await takeSamples(reader, disk),
    emptyVolumes: await findEmptyVolumes(reader, disk),
    headIsZero,
    imagePieces: headIsZero ? await countImagePieces(reader, disk, parts.map) : 0,
    hasUnfinishedRecord: found.some((one) => isUnfinished(one, parts.set)),
  });
  return { reader: describePort(disk), disk, code, wasThere, says, records: found.map(briefly), content };
}

function isUnfinished({ set, state }: CardMatch, wanted: string): boolean {
  return set === wanted && state !== 'done' && state !== 'running' && state !== 'sealing';
}

function briefly({ id, uuid, set, node, state, code, matchedBy }: CardMatch): KnownRecord {
  return { id, uuid, set, node, state, code, matchedBy };
}

/** Whatever is wrong with somebody's volume is no reason to stop: then there is no identity file of ours. */
async function readIdentity(
  { station }: LookParts,
  disk: Disk,
): Promise<{ set: string; node: string; record: string } | null> {
  try {
    const { identity } = await readCardSelf({ station, port: silentPort }, disk.node);
    if (!identity) return null;
    const { set, node, record } = identity;
    return { set, node, record };
  } catch (error) {
    if (error instanceof CardwrightError && /^(?:image|volume|identity)\./.test(error.code)) return null;
    throw error;
  }
}

async function readBytes(
  reader: SystemReader,
  disk: Disk,
  offset: number,
  length: number,
): Promise<Uint8Array> {
  const answer = await reader.readBytes(disk.node, offset, length);
  if (answer.ok && answer.value.length === length) return answer.value;
  const reason = answer.ok ? `${answer.value.length} of ${length} bytes at ${offset}` : answer.why;
  throw new CardwrightError('job.content-unreadable', {
    card: 'untouched',
    facts: { node: disk.node, reason },
  });
}

function isFilledWith(bytes: Uint8Array, value: number): boolean {
  return bytes.every((byte) => byte === value);
}

async function takeSamples(reader: SystemReader, disk: Disk): Promise<Sample[]> {
  const samples: Sample[] = [];
  for (const offset of sampleOffsets(disk.sizeBytes, sampleCount, blockBytes)) {
    const bytes = await readBytes(reader, disk, offset, blockBytes);
    const isBlank = isFilledWith(bytes, bytes[0] ?? 0) && (bytes[0] === 0 || bytes[0] === 0xff);
    samples.push({ offset, isBlank });
  }
  return samples;
}

/** Volumes that surely hold nothing, as cards have them from the shop. */
async function findEmptyVolumes(reader: SystemReader, disk: Disk): Promise<Set<string>> {
  const empty = new Set<string>();
  for (const { on, type } of disk.signatures ?? []) {
    if (type !== 'vfat' && type !== 'exfat') continue;
    const partition = disk.partitions.find(({ name }) => name === on);
    const start = partition?.startBytes ?? 0;
    const size = partition?.sizeBytes ?? disk.sizeBytes;
    const root = findRoot(await readBytes(reader, disk, start, 512));
    if (!root || root.offset + root.length > size) continue;
    const entries = await readBytes(reader, disk, start + root.offset, root.length);
    if (isEmptyRoot(root.kind, entries)) empty.add(on);
  }
  return empty;
}

const mostPieces = 8;

/** The image's first pieces beyond the first MiB that are not blank: how many of them lie on the card? */
async function countImagePieces(reader: SystemReader, disk: Disk, map: DigestMap | null): Promise<number> {
  if (!map) return 0;
  const digestOf = (bytes: Uint8Array) => createHash('sha256').update(bytes).digest();
  const blank = digestOf(new Uint8Array(mibBytes));
  let asked = 0;
  let found = 0;
  const whole = Math.floor(Math.min(map.sizeBytes, disk.sizeBytes) / mibBytes);
  for (let piece = 1; piece < whole && asked < mostPieces; piece += 1) {
    const digest = Buffer.from(map.digests.subarray(piece * 32, piece * 32 + 32));
    if (digest.equals(blank)) continue;
    asked += 1;
    const bytes = await readBytes(reader, disk, piece * mibBytes, mibBytes);
    if (digestOf(bytes).equals(digest)) found += 1;
  }
  return found;
}
