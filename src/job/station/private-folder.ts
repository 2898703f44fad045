import { randomBytes } from 'node:crypto';
import * as fs from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';

/*
 * A folder for private keys on the station, reached through its open descriptor, so that nobody can exchange it on
 * the way. A crash in here leaves behind at most a file `NAME.NNN.new`, which nothing reads.
 */

const { O_RDONLY, O_WRONLY, O_CREAT, O_EXCL, O_DIRECTORY, O_NOFOLLOW, O_NONBLOCK } = fs.constants;
/** A private key of RSA with 16384 bits has not half as much. */
const mostBytes = 2 ** 16;

export interface PrivateFolder {
  path: string;
  fd: number;
}

const errnoOf = (error: unknown) => (error as NodeJS.ErrnoException).code ?? 'unknown error';

function refuse(path: string, why: string, cause?: unknown): CardwrightError {
  return new CardwrightError('identity.host-key-unusable', {
    card: 'untouched',
    facts: { path, why },
    cause,
  });
}

/** Who may own the keys: the user that we run as, and whoever called us through sudo (sudo(8), SUDO_UID). */
function isOurs(uid: number): boolean {
  const self = process.geteuid?.() ?? -1;
  const caller = process.env.SUDO_UID;
  return uid === self || (self === 0 && caller !== undefined && uid === Number(caller));
}

function checkStats(path: string, stats: fs.Stats, forbidden: number): void {
  if (!isOurs(stats.uid)) throw refuse(path, `it belongs to user ${stats.uid}`);
  if ((stats.mode & forbidden) === 0) return;
  const mode = (stats.mode & 0o7777).toString(8).padStart(4, '0');
  const what = forbidden === 0o077 ? 'others can get at it' : 'others can write to it';
  throw refuse(path, `${what} (mode ${mode}); chmod go-rwx puts that right`);
}

function openAt(path: string, shown: string, flags: number): number | null {
  try {
    // Non-blocking, so that a pipe put in the place of a file cannot hang us.
    return fs.openSync(path, flags | O_NOFOLLOW | O_NONBLOCK);
  } catch (error) {
    const errno = errnoOf(error);
    if (errno === 'ENOENT') return null;
    // Linux says ENOTDIR of a link where a folder is asked for.
    const isLink = fs.lstatSync(path, { throwIfNoEntry: false })?.isSymbolicLink() === true;
    throw refuse(shown, isLink ? 'it is a symbolic link' : `it cannot be opened (${errno})`, error);
  }
}

const place = (folder: PrivateFolder, name: string) => `/proc/self/fd/${folder.fd}/${name}`;

/**
 * Opens a folder that nobody else can get at; null where it is not there. Close its descriptor.
 *
 * @param within the folder that it lies in, or null where `path` says it all
 * @throws CardwrightError `identity.host-key-unusable`
 */
export function openPrivateFolder(path: string, within: PrivateFolder | null): PrivateFolder | null {
  const name = path.slice(path.lastIndexOf('/') + 1);
  const fd = openAt(within ? place(within, name) : path, path, O_RDONLY | O_DIRECTORY);
  if (fd === null) return null;
  try {
    checkStats(path, fs.fstatSync(fd), 0o077);
    return { path, fd };
  } catch (error) {
    fs.closeSync(fd);
    throw error;
  }
}

/** The same, made (0700) where it is not there. */
export function makePrivateFolder(path: string, within: PrivateFolder | null): PrivateFolder {
  const found = openPrivateFolder(path, within);
  if (found) return found;
  const at = within ? place(within, path.slice(path.lastIndexOf('/') + 1)) : path;
  try {
    fs.mkdirSync(at, { mode: 0o700 });
    if (within) giveToOwner(at, within);
  } catch (error) {
    // Another job may have made it meanwhile; what it is worth is seen when it is opened.
    if (errnoOf(error) !== 'EEXIST') throw refuse(path, `it cannot be made (${errnoOf(error)})`, error);
  }
  const made = openPrivateFolder(path, within);
  if (!made) throw refuse(path, 'it vanished while it was made');
  return made;
}

/** Root makes files for the person whose folder this is. */
function giveToOwner(path: string, within: PrivateFolder): void {
  const { uid, gid } = fs.fstatSync(within.fd);
  if (uid !== process.geteuid?.()) fs.lchownSync(path, uid, gid);
}

/**
 * Reads a small text file of the folder; null where it is not there.
 *
 * @param forbidden mode bits that the file must not have
 * @throws CardwrightError `identity.host-key-unusable`
 */
export function readPrivateFile(folder: PrivateFolder, name: string, forbidden: number): string | null {
  const shown = `${folder.path}/${name}`;
  const fd = openAt(place(folder, name), shown, O_RDONLY);
  if (fd === null) return null;
  try {
    const stats = fs.fstatSync(fd);
    if (!stats.isFile()) throw refuse(shown, 'it is not a plain file');
    checkStats(shown, stats, forbidden);
    if (stats.size > mostBytes) throw refuse(shown, `it has ${stats.size} bytes, more than any key`);
    return fs.readFileSync(fd, 'utf8');
  } finally {
    fs.closeSync(fd);
  }
}

/**
 * Puts a whole file (0600) in place under its name, and on the disk; false where one of that name is there already.
 *
 * @throws CardwrightError `identity.host-key-unusable`
 */
export function addPrivateFile(folder: PrivateFolder, name: string, content: string): boolean {
  const draft = place(folder, `${name}.${process.pid}.${randomBytes(4).toString('hex')}.new`);
  try {
    try {
      writeDraft(draft, content);
      giveToOwner(draft, folder);
      fs.linkSync(draft, place(folder, name));
    } finally {
      fs.rmSync(draft, { force: true });
    }
    fs.fsyncSync(folder.fd);
    return true;
  } catch (error) {
    if (errnoOf(error) === 'EEXIST') return false;
    throw refuse(`${folder.path}/${name}`, `it cannot be written (${errnoOf(error)})`, error);
  }
}

function writeDraft(draft: string, content: string): void {
  const fd = fs.openSync(draft, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW, 0o600);
  try {
    fs.writeFileSync(fd, content);
    fs.fsyncSync(fd);
  } finally {
    fs.closeSync(fd);
  }
}
