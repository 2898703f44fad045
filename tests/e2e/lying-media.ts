/** What every job on a lying medium has to keep to, whatever the lie. */
import * as fs from 'node:fs';
import { expect } from 'vitest';
import { exitStatus } from '../../src/contract/exit-status.ts';
import { type FaultDisk, withFaultDisk } from '../lab/fault-disk/fault-disk.ts';
import { oldContent } from '../lab/medium.ts';
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

/** Done, in words and in the record, and the medium holds the image but for its boot volume and nothing of the probe. */
export async function expectHonestSuccess(
  end: JobEnd,
  disk: Medium,
  kit: JobKit,
  why: string,
): Promise<void> {
  expect(end.error?.message ?? null, why).toBeNull();
  expect(end.record, why).toMatchObject({ state: 'done', cardState: 'done', code: null });
  await expectImageOn(disk, kit, why);
}

/** The medium holds the image but for its boot volume, where the node's files are. */
export async function expectImageOn(disk: Medium, kit: JobKit, why: string): Promise<void> {
  const image = fs.readFileSync(kit.imagePath);
  const boot = kit.image.facts.bootVolume;
  const found = await disk.readMedium(0, image.length);
  for (const bytes of boot ? [image, found] : [])
    bytes.fill(0, boot?.startByte, (boot?.startByte ?? 0) + (boot?.sizeBytes ?? 0));
  expect(found.equals(image), `${why}: the medium does not hold the image`).toBe(true);
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
