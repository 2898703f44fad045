/** What every job on a lying medium has to keep to, whatever the lie. */
import { createHash } from 'node:crypto';
import * as fs from 'node:fs';
import { expect } from 'vitest';
import { exitStatus } from '../../src/contract/exit-status.ts';
import { keptFolder } from '../../src/identity/image-files.ts';
import { openRecords } from '../../src/records/open-records.ts';
import type { RecordView } from '../../src/records/record-types.ts';
import { type FaultDisk, withFaultDisk } from '../lab/fault-disk/fault-disk.ts';
import { oldContent } from '../lab/medium.ts';
import { changesBeside, filesIn, textOf, type VolumeInFile } from './boot-volume.ts';
import type { JobEnd, JobKit } from './job-on-disk.ts';

export const mib = 2 ** 20;
/** Larger than the small images, so that there are probe places and an end to be cleared past them. */
export const cardBytes = 8 * mib;

type Medium = Pick<FaultDisk, 'node' | 'backingPath' | 'sizeBytes' | 'readMedium'>;

let old: Buffer | null = null;

/** Puts a used card's content back on the medium, so that "reads as zeros" cannot be left over from the job before. */
export function makeUsed(disk: Pick<FaultDisk, 'backingPath' | 'sizeBytes'>): void {
  if (old?.length !== disk.sizeBytes) old = oldContent(0, disk.sizeBytes);
  const fd = fs.openSync(disk.backingPath, 'r+');
  try {
    fs.writeSync(fd, old, 0, old.length, 0);
  } finally {
    fs.closeSync(fd);
  }
}

export async function headIsZero(disk: Medium): Promise<boolean> {
  return (await disk.readMedium(0, mib)).every((byte) => byte === 0);
}

/** Neither we nor anything that we left behind holds the disk; others may look at it for a moment. */
export async function expectFree(node: string, withinMs = 1000): Promise<void> {
  const deadline = Date.now() + withinMs;
  for (;;) {
    try {
      fs.closeSync(fs.openSync(node, fs.constants.O_RDWR | fs.constants.O_EXCL));
      return;
    } catch (error) {
      if (Date.now() > deadline) throw error;
    }
    await new Promise((resolve) => setTimeout(resolve, 20));
  }
}

/**
 * Not done, in words and in the record alike; and what is said of the card is true of the medium: "unbootable" where
 * the first MiB is stored as zeros, "untouched" where nothing was changed.
 */
export async function expectHonestFailure(end: JobEnd, disk: Medium, why: string): Promise<void> {
  const { error, record, outcome } = end;
  expect(outcome, `${why}: called done`).toBeNull();
  expect(record, why).toMatchObject({ state: 'failed', cardState: error?.card, code: error?.code });
  expect(['untouched', 'unbootable', 'unconfirmed', 'unknown'], why).toContain(error?.card);
  if (error?.card === 'unbootable') expect(await headIsZero(disk), `${why}: head is not zero`).toBe(true);
  if (error?.card === 'unconfirmed') expect(error.facts.phase, why).toBe('seal');
  if (error?.card === 'untouched') {
    const found = await disk.readMedium(0, disk.sizeBytes);
    expect(found.equals(oldContent(0, disk.sizeBytes)), `${why}: touched`).toBe(true);
  }
  expect(error?.exitStatus, why).toBeGreaterThanOrEqual(exitStatus.writeFailed);
  expect(end.events.at(-1), `${why}: the phase it ended in is not told as ended`).not.toMatchObject({
    type: 'phase',
    state: 'end',
    phase: error?.facts.phase,
  });
}

/** Done, in words and in the record, and the medium holds the image with the node's files and nothing of the probe. */
export async function expectHonestSuccess(
  end: JobEnd,
  disk: Medium,
  kit: JobKit,
  why: string,
): Promise<void> {
  expect(end.error?.message ?? null, why).toBeNull();
  expect(end.record, why).toMatchObject({ state: 'done', cardState: 'done', code: null });
  await expectImageOn(disk, kit, end.record, why);
  const told = (end.outcome?.edit?.files ?? []).map(({ path, sha256 }) => [path, sha256] as const);
  const found = filesIn(bootVolumeOf(kit, disk.backingPath));
  for (const [path, sha256] of told) expect(found.get(path), `${why}: ${path}`).toBe(sha256);
}

const nodeFiles = ['cardwright.node', 'meta-data', 'network-config', 'user-data'];

function bootVolumeOf(kit: JobKit, path: string): VolumeInFile {
  const boot = kit.image.facts.bootVolume;
  if (!boot) throw new Error('the image has no boot volume');
  return { path, startByte: boot.startByte, sizeBytes: boot.sizeBytes };
}

/**
 * The medium holds the image: every byte outside the boot volume, and inside it every byte that putting the node's
 * files in may not change; the files are the image's and this node's. Each MiB is as the record's digest map has it.
 */
export async function expectImageOn(
  disk: Medium,
  kit: JobKit,
  record: Pick<RecordView, 'id'>,
  why: string,
): Promise<void> {
  const image = fs.readFileSync(kit.imagePath);
  const found = await disk.readMedium(0, image.length);
  expectDigests(found, kit, record.id, why);
  const before = bootVolumeOf(kit, kit.imagePath);
  const after = bootVolumeOf(kit, disk.backingPath);
  const [old, now] = [filesIn(before), filesIn(after)];
  const edited = [...new Set([...old.keys(), ...now.keys()])].filter(
    (path) => old.get(path) !== now.get(path),
  );
  // What the image had under those names is kept beside them.
  const kept = nodeFiles
    .filter((path) => old.has(path))
    .map((path) => [`${keptFolder}/${path}`, old.get(path)]);
  expect(edited.sort(), `${why}: files that were put in`).toEqual(
    [...nodeFiles, ...kept.map(([path]) => path)].sort(),
  );
  for (const [path = '', sha256] of kept) expect(now.get(path), `${why}: ${path}`).toBe(sha256);
  expect(textOf(after, 'user-data'), why).toContain(`hostname: "${kit.node.node.name}"\n`);
  expect(
    changesBeside(before, after, [...edited, keptFolder]),
    `${why}: changed beside the node's files`,
  ).toEqual([]);
  for (const bytes of [image, found]) bytes.fill(0, before.startByte, before.startByte + before.sizeBytes);
  expect(found.equals(image), `${why}: the medium does not hold the image`).toBe(true);
}

function expectDigests(found: Buffer, kit: JobKit, recordId: number, why: string): void {
  const store = openRecords(kit.recordsPath, { now: Date.now });
  try {
    const map = store.readDigestMap(recordId);
    expect(map?.sizeBytes, `${why}: the digest map's size`).toBe(found.length);
    for (let at = 0; at < found.length; at += mib) {
      const digest = createHash('sha256')
        .update(found.subarray(at, at + mib))
        .digest();
      const recorded = map?.digests.subarray((at / mib) * 32, (at / mib) * 32 + 32);
      expect(digest.equals(recorded ?? Buffer.alloc(0)), `${why}: MiB ${at / mib} is not as recorded`).toBe(
        true,
      );
    }
  } finally {
    store.close();
  }
}

/** Works through cases on two disks at a time, one for each core; every disk is used for many cases. */
export async function onTwoDisks<T>(
  cases: readonly T[],
  sizeBytes: number,
  work: (one: T, disk: FaultDisk) => Promise<void>,
): Promise<void> {
  const rest = [...cases];
  const lane = () =>
    withFaultDisk({ sizeBytes }, async (disk) => {
      for (let one = rest.shift(); one !== undefined; one = rest.shift()) {
        makeUsed(disk);
        await work(one, disk);
        disk.setFaults([]);
      }
    });
  await Promise.all([lane(), lane()]);
}
