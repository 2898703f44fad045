/**
 * Media that say "written" and hold something else: lost, old or changed bytes, and sizes that are not there. Every
 * transfer and flush succeeds, so only reading back can tell (facts of the fault matrix, rows "wrap, forgetting,
 * dropped range, stale read, single bit flip", "unstable read").
 */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { expect, it } from 'vitest';
import { phases } from '../../src/contract/job.ts';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type Fault, seededOffset } from '../lab/fault-disk/fault.ts';
import { type JobEnd, type JobKit, openJobKit, runJobOn, withJobKit } from './job-on-disk.ts';
import { cardBytes, expectHonestFailure, expectHonestSuccess, mib, onTwoDisks } from './lying-media.ts';
import { bootInHeadShape, usualShape } from './small-image.ts';

/** Places a lie is tried at; more for a release (1,000 take some ten minutes on two cores). */
const placeCount = Number(process.env.LYING_MEDIA_PLACES ?? 12);

const codes = (end: JobEnd) => [end.error?.code, ...(end.error?.findings ?? []).map(({ code }) => code)];

/** Places of whole sectors in the image where something stands that can get lost, the same for the same seed. */
function tellingPlaces(imagePath: string, count: number, lengthBytes: number): number[] {
  const image = fs.readFileSync(imagePath);
  const places: number[] = [];
  for (let seed = 1; places.length < count; seed++) {
    const offset = seededOffset(seed, image.length, lengthBytes);
    const stretch = image.subarray(offset, offset + lengthBytes);
    if (stretch.length === lengthBytes && stretch.some((byte) => byte !== 0)) places.push(offset);
  }
  return places;
}

/** The named place holds the first wrong byte; a whole MiB only where the bytes that should be there are not at hand. */
function expectNamed(end: JobEnd, offset: number, isExact: boolean, why: string): void {
  const named = Number(end.error?.facts.offset);
  if (isExact) expect(Math.abs(named - offset), `${why}: named ${named}`).toBeLessThan(4096);
  else expect(Math.floor(named / mib), `${why}: named ${named}`).toBe(Math.floor(offset / mib));
}

/** What a series of lies is called in the figures, and what is said of them where that is not the lie's own. */
interface Trial {
  note: string;
  damage?: string;
}

interface Lie {
  kind: 'flip' | 'drop' | 'stale';
  fault(offset: number): Fault;
  /** what a raw image lets one say of it */
  damage: string;
}

const lies: Lie[] = [
  {
    kind: 'flip',
    damage: 'job.damage-stable',
    fault: (offset) => ({ kind: 'flip', offset: offset + 77, bit: 3 }),
  },
  {
    kind: 'drop',
    damage: 'job.damage-dropped',
    fault: (offset) => ({ kind: 'drop', offset, lengthBytes: 4096 }),
  },
  {
    kind: 'stale',
    damage: 'job.damage-stale',
    fault: (offset) => ({ kind: 'stale', offset, lengthBytes: 4096 }),
  },
];

/**
 * In the cleared MiB a lie is met when the head comes off, or, where zeros were to be written anyway, when it is
 * sealed; everywhere else in reading back, by whoever reads first.
 */
function expectCaught(end: JobEnd, offset: number, damage: string, why: string): void {
  expect(end.error?.exitStatus, why).toBe(6);
  if (offset >= mib) {
    expect(end.error?.card, why).toBe('unbootable');
    if (end.error?.code === 'media.probe-damaged') return;
    expect(codes(end), why).toEqual(['job.mismatch', damage, 'job.damaged-range']);
    expect(['personalize', 'verify'], why).toContain(end.error?.facts.phase);
  } else if (end.error?.code === 'job.head-not-zero') {
    expect(end.error.card, why).toBe('unknown');
  } else {
    expect(end.error, why).toMatchObject({ code: 'job.seal-not-read-back', card: 'unconfirmed' });
  }
}

/** Every lie is caught; and at most places reading back gets as far as to say of which kind it is. */
async function atEachPlace(
  kit: JobKit,
  lie: Lie,
  isExact: boolean,
  { note, damage = lie.damage }: Trial,
): Promise<void> {
  const places = tellingPlaces(kit.imagePath, placeCount, 4096);
  let classified = 0;
  await onTwoDisks(places, cardBytes, async (offset, disk) => {
    const why = `${lie.kind} at ${offset}`;
    disk.setFaults([lie.fault(offset)]);
    const end = await runJobOn(disk, kit);
    await expectHonestFailure(end, disk, why);
    expectCaught(end, offset, damage, why);
    expectNamed(end, offset, isExact, why);
    if (codes(end).some((code) => code === damage)) classified++;
  });
  const pastHead = places.filter((offset) => offset >= mib).length;
  expect(pastHead).toBeGreaterThan(placeCount / 2);
  // A place that the probe reads before the image is written is met there, and not classified.
  expect(classified, `${lie.kind}: classified`).toBeGreaterThanOrEqual(Math.floor(pastHead * 0.75));
  recordFigure('faults injected', places.length, note);
  recordFigure('faults caught', places.length, note);
}

describeWith(
  ['fault-disk', 'program:xz'],
  'a medium that holds something else',
  { timeoutMs: 600_000 },
  () => {
    it.each(lies)(
      '$kind: caught at every place, the place named to the sector, the kind of damage said',
      (lie) => withJobKit(usualShape, (kit) => atEachPlace(kit, lie, true, { note: lie.kind })),
    );

    it('flip, with the boot volume in the held-back MiB: caught at every place', () =>
      withJobKit(bootInHeadShape, (kit) =>
        atEachPlace(kit, lies[0] as Lie, true, { note: 'flip, boot volume in the head' }),
      ));

    it.each(lies)(
      '$kind, from a packed image: its bytes are not at hand, so the MiB is named and no kind that would be a guess',
      (lie) =>
        withJobKit(usualShape, async (kit) => {
          execFileSync('xz', ['-0', '-k', kit.imagePath]);
          const packed = await openJobKit(kit.folder, 'node-os.img.xz');
          const raw = { ...packed, imagePath: kit.imagePath };
          await atEachPlace(raw, lie, false, {
            note: `${lie.kind}, packed image`,
            damage: 'job.damage-stable',
          });
        }),
    );

    it('reads that are not the same each time: "unstable", wherever they are met first', () =>
      withJobKit(usualShape, (kit) =>
        onTwoDisks(tellingPlaces(kit.imagePath, 8, 4096), cardBytes, async (place, disk) => {
          const offset = Math.max(place, mib) + 77;
          // Wrong in every odd reading: the second fault takes the first one back in every even one.
          disk.setFaults([
            { kind: 'unstable', offset, bit: 2, everyNth: 1 },
            { kind: 'unstable', offset, bit: 2, everyNth: 2 },
          ]);
          const end = await runJobOn(disk, kit);
          const why = `unstable at ${offset}`;
          await expectHonestFailure(end, disk, why);
          expectCaught(end, offset, 'job.damage-unstable', why);
          expectNamed(end, offset, false, why);
        }),
      ));

    const realSizes = Array.from(
      { length: placeCount },
      (_, seed) => mib + seededOffset(seed, cardBytes - mib, 512),
    );

    it.each(['forget', 'repeat-last-block'] as const)(
      '%s past the real size: met by the probe, whatever the real size, before the image is written',
      (kind) =>
        withJobKit(usualShape, (kit) =>
          onTwoDisks(realSizes, cardBytes, async (realBytes, disk) => {
            disk.setFaults([{ kind, realBytes }]);
            const end = await runJobOn(disk, kit);
            const why = `${kind} ${realBytes}`;
            await expectHonestFailure(end, disk, why);
            expect(end.error, why).toMatchObject({ exitStatus: 6, card: 'unbootable' });
            // Less than one place past the real size is damage in one place as far as anybody can tell.
            const isTold = cardBytes - realBytes >= 4096;
            expect(end.error?.code, why).toBe(isTold ? 'media.false-size' : 'media.probe-damaged');
            expect(phases.indexOf(end.error?.facts.phase as never), why).toBeLessThan(
              phases.indexOf('write'),
            );
          }),
        ),
    );

    it('wrap: never "done" where the image does not fit; and where it does, "done" only with every byte in place', () =>
      withJobKit(usualShape, async (kit) => {
        const ends = { caught: 0, done: 0 };
        await onTwoDisks(realSizes, cardBytes, async (realBytes, disk) => {
          disk.setFaults([{ kind: 'wrap', realBytes }]);
          const end = await runJobOn(disk, kit);
          const why = `wrap ${realBytes}`;
          if (end.outcome && realBytes >= kit.imageBytes) {
            ends.done++;
            return expectHonestSuccess(end, disk, kit, why);
          }
          ends.caught++;
          await expectHonestFailure(end, disk, why);
          expect(end.error?.exitStatus, why).toBe(6);
          // Whatever was written over the cleared head is cleared again: nothing of ours is left that boots.
          expect(end.error?.card, why).toBe('unbootable');
          expect(['media.false-size', 'job.damage-wrapped'], why).toContain(codes(end).find(isTelling));
        });
        // Seeded, so the shares are known: most cards are too small, and some are large enough to be filled rightly.
        const tooSmall = realSizes.filter((realBytes) => realBytes < kit.imageBytes).length;
        expect(ends.caught + ends.done).toBe(placeCount);
        expect(ends.caught).toBeGreaterThanOrEqual(tooSmall);
        expect(Math.min(tooSmall, ends.done)).toBeGreaterThanOrEqual(1);
        recordFigure('faults injected', ends.caught, 'wrapping cards');
        recordFigure('faults caught', ends.caught, 'wrapping cards');
      }));

    it('wrap, with an image that fills the card: no probe place lies past it, so reading back has to tell, and does', () =>
      withJobKit({ ...usualShape, sizeBytes: cardBytes }, (kit) =>
        onTwoDisks(realSizes, cardBytes, async (realBytes, disk) => {
          disk.setFaults([{ kind: 'wrap', realBytes }]);
          const end = await runJobOn(disk, kit);
          const why = `wrap ${realBytes}`;
          await expectHonestFailure(end, disk, why);
          expect(end.error, why).toMatchObject({ exitStatus: 6, card: 'unbootable' });
          expect(['media.false-size', 'job.damage-wrapped'], `${why}: ${codes(end)}`).toContain(
            codes(end).find(isTelling),
          );
        }),
      ));
  },
);

const isTelling = (code: string | undefined) =>
  code === 'media.false-size' || code?.startsWith('job.damage-');
