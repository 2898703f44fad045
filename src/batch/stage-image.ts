import { createHash } from 'node:crypto';
import * as fs from 'node:fs';
import { basename, join } from 'node:path';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { type Finding, finding } from '../contract/finding.ts';
import type { ImageFacts } from '../contract/image.ts';
import { type DigestMap, mibBytes } from '../contract/job.ts';
import { openImageStream } from '../image/container/open-image-stream.ts';
import { usualSpoolFolder } from '../image/sparse-spool.ts';
import type { CheckedImage } from '../job/station/check-image.ts';
import type { WorkerUser } from '../job/supervisor/worker-user.ts';

/** The image of a batch, ready to go onto one card after the other. */
export interface StagedImage {
  image: CheckedImage;
  /** of the image before any node's files */
  map: DigestMap;
  elapsedMs: number;
  notes: Finding[];
  /** takes the unpacked copy away, where there is one */
  discard(): void;
}

/** How an image is staged. */
export interface StagingWays {
  /** the user that the decoder runs as; null: ours */
  user: WorkerUser | null;
  /** what is known of the unpacked copy */
  look(path: string, signal: AbortSignal): Promise<ImageFacts>;
}

type Reading = { signal: AbortSignal; user: WorkerUser | null };

const namePrefix = 'cardwright-stage-';
/** What has to stay free beside the copy. */
const reserveBytes = 256 * mibBytes;

/** Copies that a batch left behind when it was killed: their folder names a process that is gone. */
function sweep(folder: string): void {
  for (const name of fs.readdirSync(folder)) {
    const pid = /^cardwright-stage-(\d+)-/.exec(name)?.[1];
    if (pid === undefined || fs.existsSync(`/proc/${pid}`)) continue;
    const path = join(folder, name);
    if (fs.lstatSync(path).uid === process.geteuid?.()) fs.rmSync(path, { recursive: true, force: true });
  }
}

function freeBytesIn(folder: string): number {
  const { bavail, bsize } = fs.statfsSync(folder);
  return bavail * bsize;
}

/** Reads an image through once: its digest map, and the bytes for whoever keeps them. */
async function readThrough(
  { facts, expectedSha256 }: CheckedImage,
  keep: (bytes: Buffer) => void,
  { signal, user }: Reading,
): Promise<DigestMap> {
  const stream = await openImageStream(facts, {
    hashPacked: expectedSha256 !== null && facts.container !== 'raw',
    ...user,
  });
  try {
    const digests: Buffer[] = [];
    let hash = createHash('sha256');
    let inPiece = 0;
    let sizeBytes = 0;
    for await (const chunk of fs.createReadStream('', { fd: stream.fd, autoClose: false, signal })) {
      const bytes = chunk as Buffer;
      keep(bytes);
      for (let at = 0; at < bytes.length; ) {
        const part = bytes.subarray(at, at + mibBytes - inPiece);
        hash.update(part);
        at += part.length;
        inPiece += part.length;
        if (inPiece < mibBytes) continue;
        digests.push(hash.digest());
        hash = createHash('sha256');
        inPiece = 0;
      }
      sizeBytes += bytes.length;
    }
    if (inPiece > 0) digests.push(hash.digest());
    await expectGoodEnd(stream, expectedSha256);
    return { sizeBytes, digests: Uint8Array.from(Buffer.concat(digests)) };
  } catch (error) {
    if (signal.aborted) throw new CardwrightError('job.cancelled', { facts: { phase: 'image' } });
    throw error;
  } finally {
    await stream.close();
  }
}

async function expectGoodEnd(
  stream: Awaited<ReturnType<typeof openImageStream>>,
  expected: string | null,
): Promise<void> {
  stream.assertUnchanged();
  const end = await stream.done;
  if (end instanceof CardwrightError) throw end;
  const found = await stream.packedSha256;
  if (expected !== null && found !== null && found !== expected) {
    throw new CardwrightError('job.image-changed', { facts: { expected, found } });
  }
}

/**
 * Reads the image of a batch once: complete, with its digest map; a packed one is kept unpacked meanwhile, where there is
 * room, so that no card waits for the decoder.
 *
 * @throws CardwrightError `image.*`, `job.cancelled`
 */
export async function stageImage(
  image: CheckedImage,
  signal: AbortSignal,
  { user, look }: StagingWays,
): Promise<StagedImage> {
  const begun = Date.now();
  const { facts } = image;
  const asItIs = async (notes: Finding[]) => ({
    image,
    map: await readThrough(image, () => undefined, { signal, user }),
    elapsedMs: Date.now() - begun,
    notes,
    discard: () => undefined,
  });
  if (facts.container === 'raw') return asItIs([]);
  const folder = usualSpoolFolder();
  sweep(folder);
  const neededBytes = (facts.sizeBytes ?? 0) + reserveBytes;
  if (freeBytesIn(folder) < neededBytes) {
    return asItIs([finding('batch.not-staged', 'note', { folder, bytes: neededBytes })]);
  }
  const own = fs.mkdtempSync(join(folder, `${namePrefix}${process.pid}-`));
  const discard = () => fs.rmSync(own, { recursive: true, force: true });
  try {
    const path = join(own, unpackedName(facts));
    const map = await unpackTo(path, image, { signal, user });
    const staged = await look(path, signal);
    const { packedSha256 } = facts;
    return {
      image: { facts: { ...staged, packedSha256 }, expectedSha256: null },
      map,
      elapsedMs: Date.now() - begun,
      notes: [],
      discard,
    };
  } catch (error) {
    discard();
    throw error;
  }
}

function unpackedName({ path, memberName }: ImageFacts): string {
  return basename(memberName ?? path.replace(/\.(?:gz|xz|zst|bz2|zip)$/i, ''));
}

async function unpackTo(path: string, image: CheckedImage, how: Reading): Promise<DigestMap> {
  const fd = fs.openSync(path, 'wx', 0o600);
  try {
    const keep = (bytes: Buffer) => {
      for (let at = 0; at < bytes.length; ) at += fs.writeSync(fd, bytes, at);
    };
    return await readThrough(image, keep, how);
  } finally {
    fs.closeSync(fd);
  }
}
