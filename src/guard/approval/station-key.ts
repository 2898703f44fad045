import { randomBytes } from 'node:crypto';
import { constants } from 'node:fs';
import { type FileHandle, link, mkdir, open, rm } from 'node:fs/promises';
import path from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';

/*
 * A crash in here leaves behind at most a file `approval.key.NNN.new`, which nothing reads: the key appears under
 * its own name only when it is whole.
 */

const keyName = 'approval.key';
const keyBytes = 32;

function errnoOf(error: unknown): string | null {
  return error instanceof Error && 'code' in error ? String(error.code) : null;
}

function refuse(file: string, why: string, cause?: unknown): CardwrightError {
  return new CardwrightError('guard.station-key-unusable', { facts: { path: file, why }, cause });
}

async function readChecked(file: string, handle: FileHandle): Promise<Uint8Array> {
  const stats = await handle.stat();
  if (!stats.isFile()) throw refuse(file, 'it is not a regular file');
  if (stats.uid !== process.geteuid?.()) throw refuse(file, `it belongs to user ${stats.uid}, not to us`);
  if ((stats.mode & 0o077) !== 0) throw refuse(file, 'others can read it');
  if (stats.size !== keyBytes) throw refuse(file, `it has ${stats.size} bytes instead of ${keyBytes}`);
  return new Uint8Array(await handle.readFile());
}

/** Checks are made on the open file, so nobody can exchange it in between. */
async function readKey(file: string): Promise<Uint8Array> {
  let handle: FileHandle;
  try {
    // Non-blocking, so that a pipe put in the key's place cannot hang us.
    handle = await open(file, constants.O_RDONLY | constants.O_NOFOLLOW | constants.O_NONBLOCK);
  } catch (error) {
    const errno = errnoOf(error);
    throw refuse(file, errno === 'ELOOP' ? 'it is a symbolic link' : `it cannot be opened (${errno})`, error);
  }
  try {
    return await readChecked(file, handle);
  } finally {
    await handle.close();
  }
}

async function writeNewFile(file: string, content: Uint8Array): Promise<void> {
  const handle = await open(file, 'wx', 0o600);
  try {
    await handle.writeFile(content);
    await handle.sync();
  } finally {
    await handle.close();
  }
}

async function linkUnlessPresent(draft: string, file: string): Promise<void> {
  try {
    await link(draft, file);
  } catch (error) {
    if (errnoOf(error) !== 'EEXIST') throw error;
  }
}

/** Puts a whole key in place under its name, or leaves the one that somebody else put there meanwhile. */
async function createKey(file: string, random: (size: number) => Uint8Array): Promise<void> {
  const folder = path.dirname(file);
  const draft = `${file}.${process.pid}.${randomBytes(4).toString('hex')}.new`;
  try {
    await mkdir(folder, { recursive: true, mode: 0o700 });
    try {
      await writeNewFile(draft, random(keyBytes));
      await linkUnlessPresent(draft, file);
    } finally {
      await rm(draft, { force: true });
    }
  } catch (error) {
    throw refuse(file, `it cannot be made (${errnoOf(error)})`, error);
  }
}

function isAbsent(error: unknown): boolean {
  return error instanceof CardwrightError && errnoOf(error.cause) === 'ENOENT';
}

/**
 * The station's key for approval codes: 32 random bytes in `approval.key` (0600) of the given folder, made at the
 * first call, so that a code shown by one command holds for the next. Two callers at once end up with one key.
 * Throws `guard.station-key-unusable` when the file is not ours, others can read it, it is no plain file of
 * 32 bytes, or it cannot be read or made.
 */
export async function loadStationKey(
  folder: string,
  random: (size: number) => Uint8Array = randomBytes,
): Promise<Uint8Array> {
  const file = path.join(folder, keyName);
  try {
    return await readKey(file);
  } catch (error) {
    if (!isAbsent(error)) throw error;
  }
  await createKey(file, random);
  return await readKey(file);
}
