import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Code } from '../../contract/catalogue/index.ts';
import type { Facts } from '../../contract/finding.ts';
import type { MechanismFacts } from '../../contract/identity.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { mibBytes } from '../../contract/job.ts';
import type { Plan } from '../../contract/plan.ts';
import { type SeedVolumeOutlook, seedVolumeWouldWork, whatTakesTheRest } from '../../identity/seed-place.ts';
import { findTableRoom } from '../../image/table/table-room.ts';
import { loadFat } from '../../volume/fat/load-fat.ts';
import { type BootVolume, openVolume } from '../../volume/open-volume.ts';
import { seedBytes, seedLabel } from '../../volume/seed-facts.ts';
import { makeSeedVolume } from '../../volume/seed-volume.ts';
import type { SeedWish } from './place-seed.ts';
import { withImageBytes } from './read-image.ts';

function refusal(code: Code, facts: Facts): CardwrightError {
  return new CardwrightError(code, { card: 'untouched', facts });
}

/**
 * What the plan's seed volume takes, where it asks for one; null where it does not.
 *
 * @throws CardwrightError `seed.*` where the image cannot have one
 */
export async function wishSeed(image: ImageFacts, plan: Plan | null): Promise<SeedWish | null> {
  return plan === null || plan.seedVolume === 'none' ? null : findRoomForSeed(image);
}

async function findRoomForSeed(image: ImageFacts): Promise<SeedWish> {
  const { table, sizeBytes, shape } = image;
  if (!table || sizeBytes === null) {
    const names = { bare: 'one file system', opaque: 'neither a table nor a file system' };
    throw refusal('seed.no-table', { shape: shape === 'bare' ? names.bare : names.opaque });
  }
  const why = whyUnfit(image);
  if (why !== null) throw refusal('seed.table-unfit', { why });
  refuseSecondSeed(image);
  const found = await withImageBytes(image, mibBytes, (head) => findTableRoom(head, table));
  if (!found.ok) throw refusal('seed.table-unfit', { why: found.why });
  const { room } = found;
  if (room.freeNumber === null) {
    throw refusal('seed.table-full', { table: room.kind.toUpperCase(), count: room.entryCount });
  }
  return { table, room, partition: room.freeNumber, imageBytes: sizeBytes };
}

/** Tables that say one thing to one system and another to the next are left alone. */
function whyUnfit({ shape, findings }: ImageFacts): string | null {
  const has = (code: Code) => findings.some((found) => found.code === code);
  if (shape === 'hybrid') return 'it stands beside a file system that begins at block 0 (a hybrid image)';
  if (has('image.hybrid-mbr')) return 'its MBR lists partitions beside the GPT';
  if (has('image.gpt-without-protection')) return 'it is a GPT that no MBR announces';
  return null;
}

function refuseSecondSeed({ volumes }: ImageFacts): void {
  const seed = volumes.find(({ label }) => label?.toUpperCase() === seedLabel);
  if (!seed) return;
  throw refusal('seed.second-volume', { partition: seed.partition, label: seed.label ?? '' });
}

/**
 * What the image's own boot and root volume say against a seed volume beside them.
 *
 * @param own how the image's boot volume takes settings; null where there is none
 * @param kernelLine of that boot volume, or ''
 * @throws CardwrightError `seed.not-needed`, `seed.root-takes-all`, `seed.nobody-reads`
 */
export function expectSeedRead({ root }: ImageFacts, own: MechanismFacts | null, kernelLine: string): void {
  if (own) expectUnread(own);
  const facts = root?.state === 'read' ? root.facts : null;
  const takers = whatTakesTheRest(facts, kernelLine);
  if (takers.length > 0) throw refusal('seed.root-takes-all', { evidence: takers.join(', ') });
  if (facts === null) return;
  const outlook = seedVolumeWouldWork(facts, kernelLine);
  if (!outlook.works) throw refusal('seed.nobody-reads', { why: outlook.why });
}

/** @throws CardwrightError `seed.not-needed` where the image's own boot volume is read for a node's settings */
function expectUnread(own: MechanismFacts): void {
  if (isRead(own)) throw refusal('seed.not-needed', { evidence: own.evidence.join(', ') });
}

function isRead({ mechanism }: MechanismFacts): boolean {
  return mechanism === 'nocloud-files' || mechanism === 'nocloud-label';
}

/**
 * Whether a plan may ask for a seed volume with this image; null where its root volume was not read, or its own boot
 * volume is read for a node's settings, so that the question does not come up.
 *
 * @throws CardwrightError `image.*`
 */
export async function offerSeed(
  image: ImageFacts,
  own: MechanismFacts,
  kernelLine: string,
): Promise<SeedVolumeOutlook | null> {
  if (image.root?.state !== 'read' || isRead(own)) return null;
  const outlook = seedVolumeWouldWork(image.root.facts, kernelLine);
  if (!outlook.works) return outlook;
  try {
    await findRoomForSeed(image);
    return outlook;
  } catch (error) {
    if (!(error instanceof CardwrightError) || !error.code.startsWith('seed.')) throw error;
    const why = error.facts.why ?? 'all entries of the image’s partition table are used';
    return { works: false, why: String(why) };
  }
}

/** The volume as it will be on the card before the node's files, in memory. */
export async function withEmptySeed<T>({ table }: SeedWish, use: (volume: BootVolume) => T): Promise<T> {
  await loadFat();
  const { sectorBytes } = table;
  const bytes = makeSeedVolume({ sectorBytes, serial: 0, startByte: 0 });
  const read = (offset: number, length: number) => bytes.slice(offset, offset + length);
  const extent = { startByte: 0, sizeBytes: seedBytes, sectorBytes };
  const volume = openVolume({ sizeBytes: seedBytes, read }, extent);
  try {
    return use(volume);
  } finally {
    volume.close();
  }
}
