/**
 * A real /dev/loopN whose medium lies, fails, stalls or vanishes, and which counts the requests that reach it:
 *
 *   await withFaultDisk({ sizeBytes: 64 << 20, faults: [{ kind: 'flip', offset: 5_000_000, bit: 3 }] }, async (disk) => {
 *     await writeTheCard(disk.node);
 *     expect(disk.requests().read.bytes).toBeGreaterThanOrEqual(imageBytes);
 *   });
 *
 * plugin.py in nbdkit → nbdfuse → loop with direct I/O, which is proven: with it off, FUSE's page cache answers and
 * every lie passes. The medium is a plain file on tmpfs that survives `vanish`, so `readMedium` still tells what is
 * stored on a card that was torn out. After a `vanish` the file can be looked at as a healthy disk by giving
 * `content: { file: disk.backingPath }` to withLoopDisk.
 * Needs root, loop, FUSE, and the packages nbdkit, nbdkit-plugin-python, libnbd-bin, fuse3.
 */
import { existsSync, readFileSync, renameSync, statSync, writeFileSync } from 'node:fs';
import { mkdir } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { execa } from 'execa';
import { type Cleanup, makeWorkFolder, withCleanup } from '../cleanup.ts';
import { attachLoop, detachLoop, type Loop } from '../loop-attach.ts';
import { type Content, type Medium, makeMedium } from '../medium.ts';
import { type Running, startProcess, waitFor } from '../processes.ts';
import type { Fault, Pace } from './fault.ts';
import { type Requests, readRequests } from './request-log.ts';

export interface FaultDiskOptions {
  /** the capacity that the disk claims, a whole number of sectors */
  sizeBytes: number;
  /** none: a healthy card */
  faults?: readonly Fault[];
  /** none: as fast as the machine; `cardPace` for a usual card */
  pace?: Pace;
  sectorBytes?: 512 | 4096;
  /** what the card holds beforehand; `old` unless given */
  content?: Content;
}

export interface FaultDisk {
  /** "/dev/loop3" */
  readonly node: string;
  /** "loop3" */
  readonly name: string;
  /** "7:3" */
  readonly majorMinor: string;
  readonly sizeBytes: number;
  /** the medium: a plain file */
  readonly backingPath: string;
  /** bytes as they are stored, whatever a read through the device would say; addresses are the medium's own */
  readMedium(offset: number, length: number): Promise<Buffer>;
  /** hex */
  sha256OfMedium(offset?: number, length?: number): Promise<string>;
  /** the requests that reached the medium since the start, or since the last `clearRequests` */
  requests(): Requests;
  clearRequests(): void;
  /** From the next request on: these faults, counted anew. Ends a stall. An empty list heals the card. */
  setFaults(faults: readonly Fault[], pace?: Pace): void;
  /** whether a request is being held up by a stall now */
  isStalled(): boolean;
  /** Gone at once, also in the middle of a stall: every request from now on fails. */
  vanishNow(): Promise<void>;
}

const pluginPath = join(dirname(fileURLToPath(import.meta.url)), 'plugin.py');

/** Every file that takes part, in the scope's work folder. */
interface Places {
  control: string;
  log: string;
  socket: string;
  mountPoint: string;
  served: string;
  output: (name: string) => string;
}

async function makePlaces(cleanup: Cleanup): Promise<Places> {
  const folder = await makeWorkFolder(cleanup);
  const at = (name: string) => join(folder, name);
  await mkdir(at('mount'));
  return {
    control: at('control.json'),
    log: at('requests.log'),
    socket: at('socket'),
    mountPoint: at('mount'),
    served: at('mount/disk'),
    output: (name) => at(`${name}.out`),
  };
}

/** In place by rename, so the plugin never reads half a file. */
function writeControl({ control }: Places, faults: readonly Fault[], pace: Pace): void {
  writeFileSync(`${control}.new`, JSON.stringify({ faults, pace }), { mode: 0o600 });
  renameSync(`${control}.new`, control);
}

async function startServer(
  cleanup: Cleanup,
  places: Places,
  medium: Medium,
  sizeBytes: number,
): Promise<Running> {
  const { control, log, socket } = places;
  const parameters = Object.entries({ medium: medium.path, size: sizeBytes, control, log });
  const server = startProcess(
    cleanup,
    'nbdkit',
    // In the foreground: a daemon would not be our child any more.
    [
      '--foreground',
      '--exit-with-parent',
      '--unix',
      socket,
      'python',
      pluginPath,
      ...parameters.map(([key, value]) => `${key}=${value}`),
    ],
    { outputPath: places.output('nbdkit') },
  );
  await waitUntilUp('nbdkit', server, () => existsSync(socket));
  return server;
}

async function startFuse(cleanup: Cleanup, places: Places, sizeBytes: number): Promise<void> {
  const { mountPoint, served, socket } = places;
  const fuse = startProcess(cleanup, 'nbdfuse', [served, '--unix', socket], {
    outputPath: places.output('nbdfuse'),
    patienceMs: 2000,
  });
  // Lazily: a server that has lost its card may be gone already, and the mount with a dead server stays.
  cleanup.add({ kind: 'mount', path: mountPoint }, async () => {
    const { stdout } = await execa('findmnt', ['--noheadings', '--output', 'TARGET', mountPoint], {
      reject: false,
    });
    if (stdout !== '') await execa('umount', ['--lazy', mountPoint]);
  });
  await waitUntilUp('nbdfuse', fuse, () => existsSync(served) && statSync(served).size === sizeBytes);
}

async function waitUntilUp(name: string, running: Running, isUp: () => boolean): Promise<void> {
  await waitFor(
    `${name} to come up`,
    () => {
      if (running.ended() !== null)
        throw new Error(`lab: ${name} ended: ${running.ended()}\n${running.output()}`);
      return isUp();
    },
    { timeoutMs: 10_000 },
  );
}

function checkFaults(faults: readonly Fault[], sizeBytes: number): void {
  const sizes = faults.filter((fault) => 'realBytes' in fault);
  if (sizes.length > 1) throw new Error('lab: a card has one real size');
  for (const fault of faults) {
    if ('realBytes' in fault && (fault.realBytes % 512 !== 0 || fault.realBytes > sizeBytes)) {
      throw new Error(`lab: real size ${fault.realBytes} is no whole number of sectors up to ${sizeBytes}`);
    }
    if ('offset' in fault && fault.offset >= sizeBytes) {
      throw new Error(`lab: the fault at ${fault.offset} lies outside the disk`);
    }
  }
}

/** Runs `body` with a misbehaving disk of its own; gives what `body` gives. */
export async function withFaultDisk<T>(
  options: FaultDiskOptions,
  body: (disk: FaultDisk) => Promise<T>,
): Promise<T> {
  const { sizeBytes, faults = [], pace = {}, sectorBytes = 512, content = 'old' } = options;
  checkFaults(faults, sizeBytes);
  return withCleanup(async (cleanup) => {
    const medium = await makeMedium(cleanup, { sizeBytes, backing: 'tmpfs', content });
    const places = await makePlaces(cleanup);
    writeControl(places, faults, pace);
    const server = await startServer(cleanup, places, medium, sizeBytes);
    await startFuse(cleanup, places, sizeBytes);
    let loop: Loop | null = null;
    cleanup.add({ kind: 'loop', backingPath: places.served }, async () => {
      // A stalled or failing medium must not keep the loop busy while it is taken away.
      writeControl(places, [], {});
      if (loop !== null) await detachLoop(loop);
    });
    loop = await attachLoop(places.served, { sectorBytes });
    let cleared = 0;
    return body({
      node: loop.node,
      name: loop.name,
      majorMinor: loop.majorMinor,
      sizeBytes,
      backingPath: medium.path,
      readMedium: (offset, length) => medium.read(offset, length),
      sha256OfMedium: (offset, length) => medium.sha256(offset, length),
      requests: () => readRequests(readFileSync(places.log).subarray(cleared).toString()),
      clearRequests: () => {
        cleared = readFileSync(places.log).lastIndexOf('\n') + 1;
      },
      setFaults: (next, nextPace = pace) => {
        checkFaults(next, sizeBytes);
        writeControl(places, next, nextPace);
      },
      isStalled: () => existsSync(`${places.log}.stalled`),
      vanishNow: () => server.stop(),
    });
  });
}
