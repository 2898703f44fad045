import { randomBytes } from 'node:crypto';
import * as fs from 'node:fs';
import { basename, dirname, join, resolve } from 'node:path';
import { CardwrightError } from '../contract/cardwright-error.ts';

const { O_WRONLY, O_CREAT, O_EXCL, O_NOFOLLOW, O_RDONLY, O_NONBLOCK } = fs.constants;
const headBytes = 4096;

const errnoOf = (error: unknown) => (error as NodeJS.ErrnoException).code ?? 'unknown error';

/**
 * Puts a file in its place whole: what stood there before stays until the new one is complete and on the disk. Only a
 * plain file that begins as ours do is replaced. A crash in here leaves a file `.NAME.….new` behind, which nothing reads.
 *
 * @param isOurs looks at the beginning of a file that is there already
 * @throws CardwrightError `usage.file-in-the-way`, `usage.file-not-written`
 */
export function writePage(path: string, content: string, isOurs: (head: string) => boolean): string {
  const target = resolve(path);
  const draft = join(dirname(target), `.${basename(target)}.${randomBytes(4).toString('hex')}.new`);
  try {
    refuseForeign(target, isOurs);
    try {
      writeDraft(draft, content, target);
      fs.renameSync(draft, target);
    } finally {
      fs.rmSync(draft, { force: true });
    }
    syncFolder(dirname(target));
    return target;
  } catch (cause) {
    throw notWritten(cause, target);
  }
}

function notWritten(cause: unknown, path: string): CardwrightError {
  if (cause instanceof CardwrightError) return cause;
  return new CardwrightError('usage.file-not-written', { facts: { path, errno: errnoOf(cause) }, cause });
}

/** Before the content is made: whether it can go there. @throws CardwrightError `usage.file-in-the-way`, `usage.file-not-written` */
export function expectPlace(path: string, isOurs: (head: string) => boolean): void {
  const target = resolve(path);
  try {
    refuseForeign(target, isOurs);
    fs.accessSync(dirname(target), fs.constants.W_OK | fs.constants.X_OK);
  } catch (cause) {
    throw notWritten(cause, target);
  }
}

function refuseForeign(path: string, isOurs: (head: string) => boolean): void {
  const found = fs.lstatSync(path, { throwIfNoEntry: false });
  if (found === undefined) return;
  const why = found.isFile()
    ? isOurs(readHead(path))
      ? null
      : 'was not made by this command'
    : 'is no plain file';
  if (why !== null) throw new CardwrightError('usage.file-in-the-way', { facts: { path, why } });
}

function readHead(path: string): string {
  const fd = fs.openSync(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK);
  try {
    const head = Buffer.alloc(headBytes);
    return head.toString('utf8', 0, fs.readSync(fd, head, 0, headBytes, 0));
  } finally {
    fs.closeSync(fd);
  }
}

function writeDraft(draft: string, content: string, target: string): void {
  const fd = fs.openSync(draft, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW, 0o644);
  try {
    fs.writeFileSync(fd, content);
    // Root makes files for the person whose folder this is.
    const { uid, gid } = fs.statSync(dirname(target));
    if (process.geteuid?.() === 0 && uid !== 0) fs.fchownSync(fd, uid, gid);
    fs.fsyncSync(fd);
  } finally {
    fs.closeSync(fd);
  }
}

function syncFolder(folder: string): void {
  const fd = fs.openSync(folder, O_RDONLY);
  try {
    fs.fsyncSync(fd);
  } finally {
    fs.closeSync(fd);
  }
}
