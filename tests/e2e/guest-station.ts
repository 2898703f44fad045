/** The real tool in the lab's guest: what it is started with there, and what came of it. */
import { copyFile, mkdir, readdir } from 'node:fs/promises';
import { join } from 'node:path';
import { openRecords } from '../../src/records/open-records.ts';
import type { RecordView } from '../../src/records/record-types.ts';
import { makeRehearsalPlan } from '../../src/rehearsal/make-plan.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import type { Guest } from '../lab/guest/guest.ts';
import { type GuestJob, type GuestResult, shellQuote } from '../lab/guest/jobs.ts';
import { type SmallImageShape, smallImage, writeSmallImage } from './small-image.ts';

/** Emulated without KVM, and machines are busy: starting the tool alone takes six seconds and more. */
const toolTimeoutMs = 600_000;

/** A folder of the guest's memory, so that no disk of the guest bears image, plan or records. */
const home = '/run/station';

export interface ListedDisk {
  name: string;
  node: string;
  serial: string | null;
  port: string | null;
  lun: number | null;
  verdict: string;
  code: string | null;
  findings: { code: string }[];
}

export interface Listing {
  disks: ListedDisk[];
  emptyReaders: { port: string; lun: number | null }[];
}

export interface GuestToolEnd extends GuestResult {
  lines: Record<string, unknown>[];
}

export interface GuestStation {
  imageBytes: Buffer;
  /** where the plan is, in the guest */
  plan: string;
  /** "write IMAGE DEVICE --plan … --node NODE" and what else is given, as words */
  writeWords(device: string, node: string, ...more: string[]): string[];
  start(...words: string[]): Promise<GuestJob>;
  run(...words: string[]): Promise<GuestToolEnd>;
  devices(): Promise<Listing>;
  /** the records as they are now, newest first */
  records(): Promise<RecordView[]>;
}

export const jsonLines = (text: string): Record<string, unknown>[] =>
  text
    .split('\n')
    .filter((line) => line.startsWith('{') && line.endsWith('}'))
    .map((line) => JSON.parse(line));

/** The tool's command line in the guest, without `--json` where a person is to see it. */
export const toolLine = (...words: string[]): string =>
  ['node', 'bin/cardwright.js', ...words, '--records', `${home}/store/records.db`].map(shellQuote).join(' ');

/** Lays image and plan out in the guest's memory. */
export async function openGuestStation(
  guest: Guest,
  shape: SmallImageShape,
  nodeCount = 4,
): Promise<GuestStation> {
  await loadFat();
  const made = join(guest.outFolder, 'orchard');
  await mkdir(made);
  writeSmallImage(join(made, 'node-os.img'), shape);
  makeRehearsalPlan(made, nodeCount, 'node-os.img');
  const copied = await guest.run(`mkdir ${home} && cp -r /out/orchard/. ${home}/`);
  if (copied.status !== 0) throw new Error(`the guest's station: ${copied.stderr}`);

  const start = (...words: string[]) =>
    guest.start(toolLine(...words, '--json'), { timeoutMs: toolTimeoutMs });
  const run = async (...words: string[]) => {
    const end = await (await start(...words)).result;
    return { ...end, lines: jsonLines(end.stdout) };
  };
  return {
    imageBytes: smallImage(shape),
    plan: `${home}/orchard.yaml`,
    writeWords: (device, node, ...more) => [
      ...['write', `${home}/node-os.img`, device, '--plan', `${home}/orchard.yaml`, '--node', node],
      ...more,
    ],
    start,
    run,
    async devices() {
      const { lines, stdout, stderr } = await run('devices');
      const listing = lines.find(({ type }) => type === 'devices');
      if (listing === undefined) throw new Error(`no list of devices:\n${stdout}\n${stderr}`);
      return listing as unknown as Listing;
    },
    async records() {
      const copy = await guest.run(`rm -rf /out/store && cp -r ${home}/store /out/store`);
      if (copy.status !== 0) throw new Error(`no records: ${copy.stderr}`);
      const folder = join(guest.outFolder, 'store-here');
      await mkdir(folder, { recursive: true });
      const from = join(guest.outFolder, 'store');
      for (const file of await readdir(from)) await copyFile(join(from, file), join(folder, file));
      const store = openRecords(join(folder, 'records.db'), { now: Date.now });
      try {
        return store.listRecords();
      } finally {
        store.close();
      }
    },
  };
}
