import { randomBytes } from 'node:crypto';
import { join } from 'node:path';
import { readPlan } from '../batch/plan/read-plan.ts';
import type { CardState } from '../contract/card-state.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Code } from '../contract/catalogue/index.ts';
import type { Disk } from '../contract/devices.ts';
import type { EventPort } from '../contract/events.ts';
import { mibBytes } from '../contract/job.ts';
import type { Plan, PlanNode } from '../contract/plan.ts';
import { defaultPolicy } from '../contract/policy.ts';
import { checkApproval } from '../guard/approval/check-approval.ts';
import { judgeDisk } from '../guard/judge-disk.ts';
import { type CheckedImage, checkImage } from '../job/station/check-image.ts';
import { refusal } from '../job/station/claim-card.ts';
import { materialsOnDisk } from '../job/station/materials-on-disk.ts';
import { bytesForSeed, placeSeed, type SeedWish } from '../job/station/place-seed.ts';
import { wishSeed } from '../job/station/plan-seed.ts';
import { foreseeOnImage } from '../job/station/preview-edit.ts';
import { codeOfDisk } from '../job/station/survey-disks.ts';
import { writeTakenCard } from '../job/station/write-card.ts';
import type { MediumFault } from '../media/faulty-medium.ts';
import { openRecords } from '../records/open-records.ts';
import type { Records } from '../records/record-types.ts';
import { loadFat } from '../volume/fat/load-fat.ts';
import { type Foretold, foretell, parseFault, placeFault } from './foretell.ts';
import { cardFileReader, makeBelieveDisk, makeCardFile, openMakeBelieveCard } from './make-believe-card.ts';
import { makeRehearsalImage } from './make-image.ts';
import { makeRehearsalPlan } from './make-plan.ts';

const imageName = 'node-os.img';

export interface RehearsalOrder {
  folder: string;
  /** the person's own plan; null: one of ours */
  planPath: string | null;
  cards: number;
  /** `KIND@NODE` or `none` */
  fault: string;
  toolVersion: string;
  port: EventPort;
  signal: AbortSignal;
  /** told before and after each card */
  onCard(node: PlanNode, card: Disk): void;
  onEnd(end: RehearsedCard): void;
}

export interface RehearsedCard {
  node: PlanNode;
  disk: Disk;
  fault: MediumFault | null;
  foretold: Foretold;
  state: CardState;
  code: Code | null;
  error: CardwrightError | null;
  elapsedMs: number;
  bytesPerSecond: number | null;
  recordId: number | null;
}

/**
 * The whole job on make-believe cards: the same guard, approval, worker, supervisor, records and seal; only the
 * medium is a file. Everything stays in the folder.
 *
 * @throws CardwrightError for what no card can be blamed for: a bad plan, a bad option, a full disk
 */
export async function runRehearsal(order: RehearsalOrder): Promise<RehearsedCard[]> {
  await loadFat();
  const plan = await planOf(order);
  const nodes = plan.nodes.slice(0, order.cards);
  const fault = parseFault(
    order.fault,
    plan.nodes.map((node) => node.name),
  );
  const image = await imageOf(order, plan);
  const records = openRecords(join(order.folder, 'records.db'), { now: Date.now });
  const wish = await wishSeed(image.facts, plan);
  const seedBytes = wish ? bytesForSeed(wish) : 0;
  const cardBytes = Math.ceil(((image.facts.sizeBytes ?? 0) + seedBytes) / mibBytes + 24) * mibBytes;
  const ends: RehearsedCard[] = [];
  try {
    for (const [at, node] of nodes.entries()) {
      const sizes = { imageBytes: image.facts.sizeBytes ?? 0, cardBytes };
      const mine = fault?.node === node.name ? placeFault(fault, sizes) : null;
      const path = join(order.folder, `card-${node.name}.img`);
      makeCardFile(path, cardBytes);
      const disk = makeBelieveDisk(path, at + 1, cardBytes);
      order.onCard(node, disk);
      const end = await rehearseCard(order, { plan, node, disk, image, wish, records, fault: mine });
      order.onEnd(end);
      ends.push(end);
    }
  } finally {
    records.close();
  }
  return ends;
}

/** The person's plan; else one of ours, with an image of ours. */
async function planOf({ planPath, folder, cards }: RehearsalOrder): Promise<Plan> {
  if (planPath !== null) return (await readPlan(planPath)).plan;
  makeRehearsalImage(join(folder, imageName));
  return (await readPlan(makeRehearsalPlan(folder, cards, imageName))).plan;
}

/** The plan's image, checked as the plan asks; one of ours where it names none. */
async function imageOf({ folder, signal }: RehearsalOrder, { image }: Plan): Promise<CheckedImage> {
  if (image) return checkImage({ ...image, path: image.file }, signal);
  const path = join(folder, imageName);
  makeRehearsalImage(path);
  return checkImage({ path, sha256: null, sums: null, signature: null, keyring: null }, signal);
}

interface CardParts {
  plan: Plan;
  node: PlanNode;
  disk: Disk;
  image: CheckedImage;
  wish: SeedWish | null;
  records: Records;
  fault: MediumFault | null;
}

async function rehearseCard(order: RehearsalOrder, parts: CardParts): Promise<RehearsedCard> {
  const { plan, node, disk, image, wish, records, fault } = parts;
  const begun = Date.now();
  const end = { node, disk, fault, foretold: foretell(fault) };
  let recordId: number | null = null;
  const elapsed = () => Date.now() - begun;
  try {
    await foreseeOnImage(image.facts, { plan, node, materials: materialsOnDisk }, order.toolVersion);
    await approve(disk, image, wish);
    const card = openMakeBelieveCard(disk, fault);
    try {
      const job = { records, port: order.port, signal: order.signal, toolVersion: order.toolVersion };
      const seed = wish && placeSeed(wish, disk.sizeBytes);
      const taken = { card, diskName: null, image, seed, node: { plan, node, materials: materialsOnDisk } };
      const outcome = await writeTakenCard(job, taken, (what) => {
        recordId = what.recordId;
      });
      const write = outcome.times.find((time) => time.phase === 'write');
      const bytesPerSecond = write && write.elapsedMs > 0 ? (write.bytes * 1000) / write.elapsedMs : null;
      return {
        ...end,
        state: outcome.card,
        code: null,
        error: null,
        elapsedMs: elapsed(),
        bytesPerSecond,
        recordId,
      };
    } finally {
      card.close();
    }
  } catch (error) {
    if (!(error instanceof CardwrightError) || error.code === 'job.cancelled' || recordId === null)
      throw error;
    const state = error.card ?? 'unknown';
    return { ...end, state, code: error.code, error, elapsedMs: elapsed(), bytesPerSecond: null, recordId };
  }
}

/** The same questions as at a station; the answer is given by the rehearsal itself. */
async function approve(disk: Disk, image: CheckedImage, wish: SeedWish | null): Promise<void> {
  const graph = { disks: [disk], emptyReaders: [], unseen: [], untraced: [] };
  const { sizeBytes, table } = image.facts;
  const guardImage = {
    sizeBytes,
    seedBytes: wish ? bytesForSeed(wish) : 0,
    sectorBytes: table?.sectorBytes ?? null,
    homeDisks: [],
    homeTraced: true,
  };
  const { verdict, findings } = judgeDisk(disk, { graph, policy: defaultPolicy, image: guardImage });
  if (verdict === 'refused') throw refusal(disk, findings);
  const code = await codeOfDisk(randomBytes(32), disk, cardFileReader);
  const [refused] = checkApproval({ typed: code.toLowerCase(), expected: code, demandedName: null });
  if (refused) throw new CardwrightError(refused.code, { card: 'untouched', facts: refused.facts });
}
