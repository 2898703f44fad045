/**
 * The real job on a real block device, without the command line: claim, worker process, records, seal. One job on a
 * small image takes a fraction of a second, so that a fault can sit in each of its requests in turn.
 *
 * The worker is dist/worker.cjs: run `node build.js` once before.
 */
import * as fs from 'node:fs';
import { join } from 'node:path';
import { readPlan } from '../../src/batch/plan/read-plan.ts';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import type { JobEvent } from '../../src/contract/events.ts';
import { createLiveReader } from '../../src/devices/linux/live-reader.ts';
import { findDeviceFolder, readDisk } from '../../src/devices/linux/read-disk.ts';
import { type CheckedImage, checkImage } from '../../src/job/station/check-image.ts';
import { holdCard } from '../../src/job/station/claim-card.ts';
import { materialsOnDisk } from '../../src/job/station/materials-on-disk.ts';
import type { NodeRequest } from '../../src/job/station/order-edit.ts';
import { placeSeed } from '../../src/job/station/place-seed.ts';
import { wishSeed } from '../../src/job/station/plan-seed.ts';
import type { RecordedOutcome } from '../../src/job/station/run-recorded-job.ts';
import { writeTakenCard } from '../../src/job/station/write-card.ts';
import type { CardInReader } from '../../src/job/supervisor/card-in-reader.ts';
import { claimDisk } from '../../src/media/claim.ts';
import { openRecords } from '../../src/records/open-records.ts';
import type { Records, RecordView } from '../../src/records/record-types.ts';
import { makeRehearsalPlan } from '../../src/rehearsal/make-plan.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { type SmallImageShape, writeSmallImage } from './small-image.ts';

/** What a job needs beside its card, made once for many jobs. */
export interface JobKit {
  folder: string;
  image: CheckedImage;
  imagePath: string;
  imageBytes: number;
  node: NodeRequest;
  recordsPath: string;
}

export interface JobEnd {
  outcome: RecordedOutcome | null;
  error: CardwrightError | null;
  record: RecordView;
  events: JobEvent[];
  elapsedMs: number;
}

export interface JobOptions {
  /** `null`: the image as it is */
  node?: NodeRequest | null;
  signal?: AbortSignal;
  onEvent?(event: JobEvent): void;
  /** stands between the job and its records; for stopping it at one of them */
  wrapRecords?(records: Records): Records;
}

/** A disk as a test has it at hand. */
export interface TestDisk {
  node: string;
  majorMinor: string;
}

/** Lays out an image, a plan of one node with its keys, and room for the records in a folder. */
export async function makeJobKit(folder: string, shape: SmallImageShape): Promise<JobKit> {
  await loadFat();
  const imagePath = join(folder, 'node-os.img');
  writeSmallImage(imagePath, shape);
  makeRehearsalPlan(folder, 1, 'node-os.img');
  return openJobKit(folder);
}

/** A kit that lies in a folder already; also for a process of its own. */
export async function openJobKit(folder: string, imageName = 'node-os.img'): Promise<JobKit> {
  await loadFat();
  const imagePath = join(folder, imageName);
  const { plan } = await readPlan(join(folder, 'orchard.yaml'));
  const [node] = plan.nodes;
  if (!node) throw new Error('the plan has no node');
  const request = { path: imagePath, sha256: null, sums: null, signature: null, keyring: null };
  const image = await checkImage(request, new AbortController().signal);
  return {
    folder,
    image,
    imagePath,
    imageBytes: image.facts.sizeBytes ?? 0,
    node: { plan, node, materials: materialsOnDisk },
    recordsPath: join(folder, 'store', 'records.db'),
  };
}

export async function withJobKit<T>(shape: SmallImageShape, body: (kit: JobKit) => Promise<T>): Promise<T> {
  const folder = fs.mkdtempSync('/run/cardwright-job-');
  try {
    return await body(await makeJobKit(folder, shape));
  } finally {
    fs.rmSync(folder, { recursive: true, force: true });
  }
}

/** Claims a disk for writing as a station does, and gives what the supervisor holds of it. */
export async function claimTestDisk(disk: TestDisk): Promise<{ card: CardInReader; diskName: string }> {
  const reader = createLiveReader();
  const folder = await findDeviceFolder(reader, disk.majorMinor);
  if (!folder.ok) throw new Error(`no ${disk.majorMinor}: ${folder.why}`);
  const found = await readDisk(reader, folder.value);
  const claim = await claimDisk(disk.node, disk.majorMinor, 'write');
  return { card: holdCard(reader, found, claim), diskName: found.name };
}

/** One job from the claim to its end. Only errors of the catalogue are an end; anything else is thrown. */
export async function runJobOn(disk: TestDisk, kit: JobKit, options: JobOptions = {}): Promise<JobEnd> {
  const { node = kit.node, signal = new AbortController().signal, onEvent, wrapRecords } = options;
  const store = openRecords(kit.recordsPath, { now: Date.now });
  const events: JobEvent[] = [];
  const port = {
    emit(event: JobEvent) {
      events.push(event);
      onEvent?.(event);
    },
  };
  const begun = performance.now();
  let recordId = 0;
  try {
    const { card, diskName } = await claimTestDisk(disk);
    let end: Pick<JobEnd, 'outcome' | 'error'>;
    try {
      const job = { records: wrapRecords?.(store) ?? store, port, signal, toolVersion: '0.0.0-test' };
      const wish = await wishSeed(kit.image.facts, node?.plan ?? null);
      const seed = wish && placeSeed(wish, card.identity.sizeBytes);
      const taken = { card, diskName, image: kit.image, seed, node };
      const outcome = await writeTakenCard(job, taken, (what) => {
        recordId = what.recordId;
      });
      end = { outcome, error: null };
    } catch (error) {
      if (!(error instanceof CardwrightError)) throw error;
      end = { outcome: null, error };
    } finally {
      card.close();
    }
    const record = store.readRecord(recordId);
    if (!record) throw new Error(`the job has no record: ${end.error?.message}`, { cause: end.error });
    return { ...end, record, events, elapsedMs: performance.now() - begun };
  } finally {
    store.close();
  }
}
