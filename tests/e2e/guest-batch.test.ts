/**
 * A set of seven on two USB readers under a Debian kernel with udev, with real removals and insertions: one card fails
 * while it is written, the tool is killed in the middle and called again. Media are read in their files on this side.
 */
import { execFileSync } from 'node:child_process';
import { readFile, truncate, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import type { RecordView } from '../../src/records/record-types.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { type Guest, withGuest } from '../lab/guest/guest.ts';
import type { GuestJob } from '../lab/guest/jobs.ts';
import { waitFor } from '../lab/processes.ts';
import { type GuestStation, jsonLines, type ListedDisk, openGuestStation } from './guest-station.ts';
import { smallImage, usualShape } from './small-image.ts';

const mib = 2 ** 20;
const nodeCount = 7;
const names = Array.from({ length: nodeCount }, (_, at) => `orchard-0${at + 1}`);
const readers = { left: 'usb:2-1', right: 'usb:2-2' } as const;
type ReaderId = keyof typeof readers;

/** Factory-fresh cards, one a node and one more; the sixth cannot be written in one place past its middle. */
async function makeCards(folder: string): Promise<string[]> {
  const rules = join(folder, 'one-place.conf');
  const sector = (3 * mib) / 512;
  await writeFile(
    rules,
    `[inject-error]\nevent = "write_aio"\nerrno = "5"\nsector = "${sector}"\nonce = "off"\n`,
  );
  const files = Array.from({ length: nodeCount + 1 }, (_, at) => join(folder, `card-${at + 1}`));
  for (const file of files) {
    await writeFile(file, '');
    await truncate(file, 8 * mib);
  }
  // QEMU's "blkdebug" stands between card and reader (qemu: docs/devel/blkdebug.txt).
  return files.map((file, at) => (at === 5 ? `blkdebug:${rules}:${file}` : file));
}

type Line = Record<string, unknown>;
const isEnd = ({ type }: Line) => type === 'card-done' || type === 'card-not-done';

/** Whoever stands at the bench: for every card that ended, the next one of the pile into that reader. */
class Keeper {
  readonly #guest: Guest;
  readonly #pile: string[];
  /** what lies in the readers now */
  readonly inside = new Map<ReaderId, string>();
  #served = 0;

  constructor(guest: Guest, pile: readonly string[]) {
    this.#guest = guest;
    this.#pile = [...pile];
  }

  /** Puts the next card in; nothing where no card is left. */
  async put(reader: ReaderId): Promise<void> {
    const card = this.#pile.shift();
    if (card === undefined) return;
    this.inside.set(reader, card);
    await this.#guest.changeMedium(reader, card);
  }

  /** Serves the readers until so many cards of this run have ended, or the command itself. */
  async serve(job: GuestJob, ends: number): Promise<void> {
    this.#served = 0;
    let hasEnded = false;
    void job.result.finally(() => {
      hasEnded = true;
    });
    while (this.#served < ends && !hasEnded) {
      const end = await waitFor(
        'the next card to end',
        () => (hasEnded ? 'over' : (jsonLines(job.stdout()).filter(isEnd)[this.#served] ?? null)),
        { timeoutMs: 300_000, everyMs: 100 },
      );
      if (end === 'over') return;
      this.#served++;
      const [reader] = Object.entries(readers).find(([, port]) => port === end.reader) ?? [];
      if (this.#served < ends) await this.put(reader as ReaderId);
    }
  }
}

const hostNameOn = (file: string): string =>
  /^hostname: "?([\w-]+)/m.exec(
    execFileSync('mtype', ['-i', `${file}@@${usualShape.bootStart}`, '::user-data'], { encoding: 'utf8' }),
  )?.[1] ?? 'none';

const needs = ['guest', 'program:mtype'] as const;
describeWith(needs, 'a set of seven in the guest', { timeoutMs: 900_000 }, () => {
  it('is made on two readers, with a card that fails, after a kill and a second call', () =>
    withCleanup(async (cleanup) => {
      const folder = await makeWorkFolder(cleanup);
      const cards = await makeCards(folder);
      const disks = [
        { kind: 'usb', id: 'left', serial: 'LEFT', port: 1, file: null },
        { kind: 'usb', id: 'right', serial: 'RIGHT', port: 2, file: null },
      ] as const;
      const { killed, resumed, records, keeper } = await withGuest({ disks }, async (guest) => {
        const station = await openGuestStation(guest, usualShape, nodeCount);
        const bench = new Keeper(guest, cards);
        await bench.put('left');
        await bench.put('right');
        const first = await startBatch(station);
        await bench.serve(first, 3);
        await first.signal('KILL');
        const cut = jsonLines(first.stdout());
        // What is done is taken out; the card that was being written stays where it is.
        const last = cut.filter(isEnd).at(-1);
        await bench.put(last?.reader === readers.left ? 'left' : 'right');
        const second = await startBatch(station);
        await bench.serve(second, Number.POSITIVE_INFINITY);
        const end = await second.result;
        return { killed: cut, resumed: end, records: await station.records(), keeper: bench };
      });
      expect(resumed.status, resumed.stdout + resumed.stderr).toBe(0);
      const lines = jsonLines(resumed.stdout);
      const before = killed.filter(({ type }) => type === 'card-done').map(({ node }) => node);
      expect(before).toHaveLength(3);
      const begun = lines.find(({ type }) => type === 'batch-begun')?.nodes as { node: string }[];
      expect(begun.map(({ node }) => node)).toEqual(names.filter((name) => !before.includes(name)));
      expect(lines.at(-1)).toMatchObject({ type: 'batch', outcome: 'done' });
      expectRecords(records);
      expect(keeper.inside.size).toBe(2);
      const good = cards.filter((card) => !card.startsWith('blkdebug'));
      expect(good.map(hostNameOn).sort()).toEqual(names);
      const { rootStart, sizeBytes } = usualShape;
      for (const card of good) {
        const stored = (await readFile(card)).subarray(rootStart, sizeBytes);
        expect(stored.equals(smallImage(usualShape).subarray(rootStart)), card).toBe(true);
      }
    }));
});

/** One job a card: seven done, the faulty one failed, and whichever was cut off. */
function expectRecords(records: readonly RecordView[]): void {
  const states = records.map(({ state }) => state);
  expect(states.filter((state) => state === 'done')).toHaveLength(nodeCount);
  const failed = records.filter(({ state }) => state === 'failed');
  expect(failed).toMatchObject([{ code: 'media.write-failed', cardState: 'unbootable' }]);
  expect(records.filter(({ state }) => state === 'interrupted').length).toBeLessThanOrEqual(1);
  expect(new Set(records.filter(({ state }) => state === 'done').map(({ node }) => node)).size).toBe(
    nodeCount,
  );
}

async function startBatch(station: GuestStation): Promise<GuestJob> {
  const { disks } = await station.devices();
  const approvals = disks.filter(hasCode).flatMap(({ port, code }) => ['--confirm', `${port}=${code}`]);
  return station.start('batch', station.plan, ...approvals);
}

const hasCode = ({ code, port }: ListedDisk) => code !== null && port !== null;
