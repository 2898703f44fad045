import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import type { EventPort } from '../../contract/events.ts';
import type { Finding } from '../../contract/finding.ts';
import type { ImageFacts } from '../../contract/image.ts';
import type { ImageLayout } from '../../contract/job.ts';
import { findFileHome } from '../../devices/file-home.ts';
import { describePort, resolveDevice } from '../../devices/resolve-device.ts';
import { checkApproval } from '../../guard/approval/check-approval.ts';
import { demandedName } from '../../guard/approval/demanded-name.ts';
import type { GuardImage } from '../../guard/context.ts';
import { judgeDisk } from '../../guard/judge-disk.ts';
import type { NewJob, Records } from '../../records/record-types.ts';
import type { SeedOrder } from '../engine/add-seed.ts';
import type { CardInReader } from '../supervisor/card-in-reader.ts';
import type { Approver } from './approval-port.ts';
import { expectIdle } from './busy-disks.ts';
import { claimCard, refusal } from './claim-card.ts';
import { bytesForSeed, placeSeed, type SeedWish } from './place-seed.ts';
import { codeOfDisk, type Station, surveyDisks } from './survey-disks.ts';
import { mountsOf, unmountCard } from './unmount-card.ts';

export interface CardRequest {
  /** a node, a by-id link or a reader's port */
  device: string;
  /** whether somebody agreed that the card's plain mounts are unmounted */
  mayUnmount: boolean;
  /** false where the card keeps what is on it */
  losesAll: boolean;
  /** the seed volume that is to be made behind the image; null for none */
  seed: SeedWish | null;
}

/** What a job on a station shares with every other. */
export interface StationJob {
  station: Station;
  records: Records;
  approver: Approver;
  port: EventPort;
  signal: AbortSignal;
  toolVersion: string;
  /** what the record says beside what the job itself knows; left out for a job of its own */
  marks?: JobMarks;
}

/** What is added to the record of a job; a batch adds all of it. `image`: where the staged copy comes from. */
export type JobMarks = Partial<Pick<NewJob, 'batch' | 'slot' | 'cardRecordUuid' | 'settings' | 'image'>>;

/**
 * From the name of a device to a claimed card: enumerate, guard, approve, unmount, claim. Nothing is written before
 * the claim, and everything is looked at again after it.
 *
 * @throws CardwrightError `job.disk-refused` with every reason, `guard.approval-*`, `job.needs-unmount`, `media.*`
 */
export async function takeCard(
  job: Pick<StationJob, 'station' | 'records' | 'approver'>,
  request: CardRequest,
  image: ImageFacts | null,
): Promise<{ card: CardInReader; disk: Disk; seed: SeedOrder | null }> {
  const { station, approver } = job;
  const { graph } = await surveyDisks(station, null);
  const disk = await resolveDevice(station.reader, graph, request.device);
  const guardImage = image && (await guardImageOf(station, graph, image, request.seed));
  const result = judgeDisk(disk, { graph, policy: station.policy, image: guardImage });
  if (result.verdict === 'refused') throw refusal(disk, result.findings);
  expectIdle(disk, station.busyDisks());
  const seed = request.seed && placeSeed(request.seed, disk.sizeBytes);
  expectConsent(disk, request.mayUnmount);
  const code = await codeOfDisk(station.key, disk, station.reader);
  const volumeName = request.losesAll ? demandedName(disk) : null;
  const lastWritten = lastWrittenOn(job.records, disk);
  const typed = await approver.ask({
    disk,
    result,
    code,
    volumeName,
    lastWritten,
    losesAll: request.losesAll,
    seed,
  });
  expectApproval(checkApproval({ typed, expected: code, demandedName: volumeName }));
  const hadMounts = mountsOf(disk).length > 0;
  await unmountCard(disk);
  // Unmounting writes to the card, so its content, and with it its code, is another one now; the rest is compared.
  const claimed = hadMounts ? await codeOfDisk(station.key, disk, station.reader) : code;
  return { card: await claimCard(station, { disk, code: claimed, image: guardImage }), disk, seed };
}

async function guardImageOf(
  station: Station,
  graph: Parameters<typeof findFileHome>[1],
  image: ImageFacts,
  seed: SeedWish | null,
): Promise<GuardImage> {
  const home = await findFileHome(station.reader, graph, image.path);
  return {
    sizeBytes: image.sizeBytes,
    ...(seed ? { seedBytes: bytesForSeed(seed) } : {}),
    sectorBytes: image.table?.sectorBytes ?? null,
    homeDisks: home.disks,
    homeTraced: home.traced,
  };
}

function expectConsent(disk: Disk, mayUnmount: boolean): void {
  const mounts = mountsOf(disk);
  if (mounts.length === 0 || mayUnmount) return;
  const facts = { node: disk.node, reader: describePort(disk), mounts: mounts.join(', ') };
  throw new CardwrightError('job.needs-unmount', { card: 'untouched', facts });
}

function expectApproval(findings: readonly Finding[]): void {
  const [refused] = findings;
  if (refused) throw new CardwrightError(refused.code, { card: 'untouched', facts: refused.facts });
}

/** "record 9 (orchard-05)" of the newest record that surely speaks of this card; null where none does. */
export function lastWrittenOn(records: Records | null, disk: Disk): string | null {
  const { cid, serial, sizeBytes, port } = disk;
  const matches = records?.findForCard({ cid, serial, sizeBytes, port, identityUuid: null }) ?? [];
  const sure = matches.find((match) => match.matchedBy === 'cid');
  return sure ? `record ${sure.id}${sure.node ? ` (${sure.node})` : ''}` : null;
}

export function layoutOf(image: ImageFacts, seed: SeedOrder | null = null): ImageLayout {
  const own = (image.table?.partitions ?? []).map(({ number, startByte, sizeBytes }) => ({
    number,
    startByte,
    sizeBytes,
  }));
  if (!seed) return own;
  const { partition: number, startByte, sizeBytes } = seed;
  return [...own, { number, startByte, sizeBytes }];
}
