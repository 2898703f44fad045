/**
 * The medium behind a lab disk: a plain file that is filled before a device stands on it, and that tests read
 * directly, so that what they see is what reached the medium, not what the device or a cache claims.
 */
import { createCipheriv, createHash } from 'node:crypto';
import { open, statfs } from 'node:fs/promises';
import { join } from 'node:path';
import { execa } from 'execa';
import { type Cleanup, makeWorkFolder } from './cleanup.ts';

/**
 * `old`: what a used card holds, a reproducible pattern without any run of zeros (so "the head reads as zeros" cannot
 * come true by itself). `zeros`: written out, not sparse. A file's path: its bytes first, then the old content.
 */
export type Content = 'old' | 'zeros' | { file: string };

export interface Medium {
  readonly path: string;
  readonly sizeBytes: number;
  /** exactly `length` bytes as they stand in the backing file; throws when they reach past its end */
  read(offset: number, length: number): Promise<Buffer>;
  /** SHA-256 of `length` bytes from `offset`, hex; all of it unless told otherwise */
  sha256(offset?: number, length?: number): Promise<string>;
}

const stepBytes = 1 << 20;
// linux/magic.h TMPFS_MAGIC
const tmpfsMagic = 0x01021994;

/** The bytes of `old` content at `offset`: AES-128-CTR key stream of a fixed key, so any place can be asked for. */
export function oldContent(offset: number, length: number): Buffer {
  const counter = Buffer.alloc(16);
  counter.writeBigUInt64BE(BigInt(Math.floor(offset / 16)), 8);
  const cipher = createCipheriv('aes-128-ctr', Buffer.from('used-card-before'), counter);
  const skip = offset % 16;
  return cipher.update(Buffer.alloc(skip + length)).subarray(skip);
}

async function readExactly(path: string, offset: number, length: number): Promise<Buffer> {
  const handle = await open(path, 'r');
  try {
    const buffer = Buffer.alloc(length);
    for (let done = 0; done < length; ) {
      const { bytesRead } = await handle.read(buffer, done, length - done, offset + done);
      if (bytesRead === 0)
        throw new Error(`lab: medium ends at ${offset + done}, asked for ${offset}+${length}`);
      done += bytesRead;
    }
    return buffer;
  } finally {
    await handle.close();
  }
}

function mediumOver(path: string, sizeBytes: number): Medium {
  return {
    path,
    sizeBytes,
    read: (offset, length) => readExactly(path, offset, length),
    async sha256(offset = 0, length = sizeBytes - offset) {
      const hash = createHash('sha256');
      for (let done = 0; done < length; done += stepBytes) {
        hash.update(await readExactly(path, offset + done, Math.min(stepBytes, length - done)));
      }
      return hash.digest('hex');
    },
  };
}

async function fill(path: string, sizeBytes: number, content: Content): Promise<void> {
  const source = typeof content === 'object' ? await open(content.file, 'r') : null;
  const target = await open(path, 'wx', 0o600);
  try {
    for (let at = 0; at < sizeBytes; at += stepBytes) {
      const length = Math.min(stepBytes, sizeBytes - at);
      const bytes = content === 'zeros' ? Buffer.alloc(length) : oldContent(at, length);
      if (source !== null) await source.read(bytes, 0, length, at);
      await target.writeFile(bytes);
    }
    await target.sync();
  } finally {
    await target.close();
    await source?.close();
  }
}

/** A folder on tmpfs with room for `sizeBytes`: below /dev/shm where that will do, else on a mount of our own. */
async function makeTmpfsFolder(cleanup: Cleanup, sizeBytes: number): Promise<string> {
  const shared = await statfs('/dev/shm');
  if (shared.type === tmpfsMagic && shared.bavail * shared.bsize > sizeBytes * 1.1) {
    return makeWorkFolder(cleanup, '/dev/shm');
  }
  const folder = await makeWorkFolder(cleanup);
  cleanup.add({ kind: 'mount', path: folder }, () => execa('umount', [folder]));
  await execa('mount', ['-t', 'tmpfs', '-o', `size=${sizeBytes + 8 * stepBytes},mode=0700`, 'tmpfs', folder]);
  return folder;
}

/** Makes and fills a medium in a folder of its own, on tmpfs (fast) or on the disk ("file"). */
export async function makeMedium(
  cleanup: Cleanup,
  { sizeBytes, backing, content }: { sizeBytes: number; backing: 'tmpfs' | 'file'; content: Content },
): Promise<Medium> {
  const folder =
    backing === 'tmpfs' ? await makeTmpfsFolder(cleanup, sizeBytes) : await makeWorkFolder(cleanup);
  const path = join(folder, 'medium');
  await fill(path, sizeBytes, content);
  return mediumOver(path, sizeBytes);
}
