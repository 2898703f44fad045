/**
 * How fast and how small a job is, as ratios against limits that are measured in the same run on the same device:
 *
 *   npm run bench            all of it; needs root, 9 GB of free memory and the packages of tests/lab
 *   npm run bench -- small   a quarter of the size, for a quick look
 *
 * What it does not prove: anything about a real card, a real reader, or a machine under load.
 */
import { createHash } from 'node:crypto';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { silentPort } from '../../src/contract/events.ts';
import { mibBytes } from '../../src/contract/job.ts';
import { openImageStream } from '../../src/image/container/open-image-stream.ts';
import { runLanes } from '../../src/job/engine/lanes.ts';
import type { CardInReader } from '../../src/job/supervisor/card-in-reader.ts';
import { handOver } from '../../src/job/supervisor/hand-over.ts';
import { pickWorkerUser, takenUids } from '../../src/job/supervisor/worker-user.ts';
import { allocateAligned } from '../../src/media/aligned-memory.ts';
import { claimDisk } from '../../src/media/claim.ts';
import { cardPace } from '../lab/fault-disk/fault.ts';
import { withFaultDisk } from '../lab/fault-disk/fault-disk.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';

const isSmall = process.argv.includes('small');
const bigBytes = isSmall ? 2 ** 30 : 4 * 2 ** 30;
const cardBytes = isSmall ? 64 * mibBytes : 256 * mibBytes;
const memoryLimitMib = 150;

interface Disk {
  node: string;
  majorMinor: string;
  name: string;
  sizeBytes: number;
}

const seconds = async (work: () => Promise<unknown>): Promise<number> => {
  const begun = process.hrtime.bigint();
  await work();
  return Number(process.hrtime.bigint() - begun) / 1e9;
};

/** Raw direct I/O with eight MiB in flight: what the device gives when nobody checks anything. */
async function rawSeconds(node: string, bytes: number, mode: 'write' | 'read'): Promise<number> {
  const { O_RDWR, O_EXCL, O_DIRECT } = fs.constants;
  const fd = fs.openSync(node, O_RDWR | O_EXCL | O_DIRECT);
  const lanes = Array.from({ length: 8 }, () => allocateAligned(mibBytes).fill(0x3c));
  const call = (mode === 'write' ? fs.write : fs.read) as typeof fs.write;
  try {
    return await seconds(async () => {
      await runLanes(bytes / mibBytes, lanes.length, (piece, lane) => {
        const memory = lanes[lane] ?? new Uint8Array();
        return new Promise((resolve, reject) =>
          call(fd, memory, 0, mibBytes, piece * mibBytes, (error: Error | null) =>
            error ? reject(error) : resolve(),
          ),
        );
      });
      fs.fdatasyncSync(fd);
    });
  } finally {
    fs.closeSync(fd);
  }
}

/** One core's SHA-256 over memory that is in the cache. */
function digestSeconds(bytes: number): Promise<number> {
  const memory = allocateAligned(32 * mibBytes);
  const hash = createHash('sha256');
  return seconds(async () => {
    for (let at = 0; at < bytes; at += mibBytes) {
      const from = at % memory.length;
      hash.update(memory.subarray(from, from + mibBytes));
    }
    hash.digest();
  });
}

/** An image without a run of zeros. */
function makeImage(path: string, bytes: number): void {
  const fd = fs.openSync(path, 'wx');
  const piece = Buffer.alloc(mibBytes);
  for (let at = 0; at < bytes; at += mibBytes) {
    for (let word = 0; word < mibBytes; word += 4096) piece.writeDoubleLE(at + word + 0.5, word);
    fs.writeSync(fd, piece);
  }
  fs.closeSync(fd);
}

interface JobSeconds {
  write: number;
  verify: number;
  peakMib: number;
}

/** Writing and reading back by the real worker, from after its start to before the seal. */
async function jobSeconds(disk: Disk, imagePath: string, imageBytes: number): Promise<JobSeconds> {
  const claim = await claimDisk(disk.node, disk.majorMinor, 'write');
  const statFd = fs.openSync(`/sys/block/${disk.name}/stat`, 'r');
  const identity = {
    port: null,
    lun: null,
    vendor: null,
    model: null,
    serial: null,
    cid: null,
    diskseq: null,
  };
  const card: CardInReader = {
    kind: 'device',
    fd: claim.fd,
    identity: { node: disk.node, majorMinor: disk.majorMinor, sizeBytes: disk.sizeBytes, ...identity },
    blockBytes: 512,
    diskseqFd: null,
    statFd,
    counts: true,
    fault: null,
    recheck: async () => [],
    lookIntoSlot: async () => null,
    eject: async () => true,
    close: () => undefined,
  };
  const facts = {
    path: imagePath,
    container: 'raw',
    packedBytes: imageBytes,
    sizeBytes: imageBytes,
  } as never;
  const stream = await openImageStream(facts, { hashPacked: false });
  const user = pickWorkerUser(process.getuid?.() ?? -1, process.pid, takenUids());
  const worker = await handOver(
    card,
    { sizeBytes: imageBytes, stream, expectedSha256: null },
    user,
    silentPort,
  );
  try {
    await worker.call('takeHeadOff', { keepBytes: imageBytes });
    const write = await seconds(() =>
      worker.call('write', { imageBytes, digestWhole: false, wholePieces: false }),
    );
    const verify = await seconds(async () => {
      const { damage } = await worker.call('verify', { map: null, headIsOff: true, layout: [] });
      if (damage) throw new Error('the bench found damage');
    });
    const status = fs.readFileSync(`/proc/${worker.pid}/status`, 'utf8');
    return { write, verify, peakMib: Number(/VmHWM:\s+(\d+)/.exec(status)?.[1]) / 1024 };
  } finally {
    worker.kill();
    await worker.gone;
    await stream.close();
    fs.closeSync(statFd);
    claim.release();
  }
}

interface Row {
  what: string;
  measured: string;
  limit: string;
  holds: boolean;
}

function rate(bytes: number, elapsed: number): string {
  return `${(bytes / elapsed / 1e6).toFixed(0)} MB/s`;
}

async function benchMemoryDisk(folder: string): Promise<Row[]> {
  const image = join(folder, 'big.img');
  makeImage(image, bigBytes);
  return withLoopDisk({ sizeBytes: bigBytes, backing: 'tmpfs', content: 'zeros' }, async (disk) => {
    await rawSeconds(disk.node, bigBytes, 'write');
    const write = await rawSeconds(disk.node, bigBytes, 'write');
    const read = await rawSeconds(disk.node, bigBytes, 'read');
    const digest = await digestSeconds(bigBytes);
    const job = await jobSeconds(disk, image, bigBytes);
    fs.rmSync(image);
    const limit = Math.max(write, digest) + Math.max(read, digest);
    const ratio = (job.write + job.verify) / limit;
    say(
      `RAM-backed loop, ${bigBytes / mibBytes} MiB raw: raw write ${rate(bigBytes, write)}, raw read ${rate(bigBytes, read)},`,
    );
    say(
      `  one SHA-256 pass ${rate(bigBytes, digest)}; job write ${rate(bigBytes, job.write)}, job read back ${rate(bigBytes, job.verify)}`,
    );
    return [
      {
        what: 'job against the limit, RAM-backed loop',
        measured: ratio.toFixed(2),
        limit: '1.30',
        holds: ratio <= 1.3,
      },
      peakRow(`worker's peak memory, ${bigBytes / mibBytes} MiB image`, job.peakMib),
    ];
  });
}

async function benchCardPace(folder: string): Promise<Row[]> {
  const image = join(folder, 'card.img');
  makeImage(image, cardBytes);
  return withFaultDisk({ sizeBytes: cardBytes, pace: cardPace }, async (disk) => {
    const write = await rawSeconds(disk.node, cardBytes, 'write');
    const read = await rawSeconds(disk.node, cardBytes, 'read');
    const job = await jobSeconds(disk, image, cardBytes);
    fs.rmSync(image);
    const ratio = (job.write + job.verify) / (write + read);
    say(
      `card-like device, ${cardBytes / mibBytes} MiB raw: raw write ${rate(cardBytes, write)}, raw read ${rate(cardBytes, read)};`,
    );
    say(`  job write ${rate(cardBytes, job.write)}, job read back ${rate(cardBytes, job.verify)}`);
    return [
      {
        what: 'job against the limit, card-like device',
        measured: ratio.toFixed(3),
        limit: '1.050',
        holds: ratio <= 1.05,
      },
      peakRow(`worker's peak memory, ${cardBytes / mibBytes} MiB image`, job.peakMib),
    ];
  });
}

function peakRow(what: string, peakMib: number): Row {
  return {
    what,
    measured: `${peakMib.toFixed(0)} MiB`,
    limit: `${memoryLimitMib} MiB`,
    holds: peakMib < memoryLimitMib,
  };
}

function say(line: string): void {
  process.stdout.write(`${line}\n`);
}

const folder = fs.mkdtempSync(join(fs.existsSync('/dev/shm') ? '/dev/shm' : tmpdir(), 'cardwright-bench-'));
try {
  const rows = [...(await benchMemoryDisk(folder)), ...(await benchCardPace(folder))];
  say('');
  for (const { what, measured, limit, holds } of rows) {
    say(
      `${what.padEnd(44)} ${measured.padStart(9)}   at most ${limit.padStart(9)}   ${holds ? 'holds' : 'DOES NOT HOLD'}`,
    );
  }
  if (!rows.every((row) => row.holds)) process.exitCode = 1;
} finally {
  fs.rmSync(folder, { recursive: true, force: true });
}
