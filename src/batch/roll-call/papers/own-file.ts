import { randomBytes } from 'node:crypto';
import * as fs from 'node:fs/promises';
import { basename, dirname, join, resolve } from 'node:path';
import { CardwrightError } from '../../../contract/cardwright-error.ts';
import { errnoOf } from '../../plan/plan-files.ts';

/** The first line of every file that is replaced whole: it says whose the file is. */
const markOf = (set: string) => `# Made by cardwright rollcall for the set ${set}; replaced whole each time.`;

/** Larger than anything written here: such a file is somebody else's. */
const mostBytes = 2 ** 22;

/**
 * Sees that a file may be replaced: there is none yet, or it bears our mark for this set. Links are not followed.
 *
 * @returns its absolute path, and what stands below the mark
 * @throws CardwrightError `rollcall.not-ours`
 */
export async function openOwnFile(path: string, set: string): Promise<{ path: string; before: string }> {
  const absolute = resolve(path);
  const refuse = (why: string) => new CardwrightError('rollcall.not-ours', { facts: { path, set, why } });
  const found = await fs.lstat(absolute).catch((error: unknown) => {
    if (errnoOf(error) === 'ENOENT') return null;
    throw refuse(`it cannot be looked at (${errnoOf(error)})`);
  });
  if (found === null) return { path: absolute, before: '' };
  if (!found.isFile()) throw refuse('it is no plain file');
  if (found.size > mostBytes) throw refuse('it is too large');
  const text = await fs.readFile(absolute, 'utf8').catch((error: unknown) => {
    throw refuse(`it cannot be read (${errnoOf(error)})`);
  });
  const mark = `${markOf(set)}\n`;
  if (!text.startsWith(mark)) throw refuse('its first line does not say so');
  return { path: absolute, before: text.slice(mark.length) };
}

/**
 * Replaces the file whole: whoever reads it sees the old or the new one, never a part.
 *
 * @throws CardwrightError `rollcall.not-written`
 */
export async function replaceOwnFile(path: string, set: string, content: string): Promise<void> {
  const draft = join(dirname(path), `.${basename(path)}.${randomBytes(6).toString('hex')}`);
  try {
    const file = await fs.open(draft, 'wx', 0o644);
    try {
      await file.writeFile(`${markOf(set)}\n${content}`);
      await file.sync();
    } finally {
      await file.close();
    }
    await fs.rename(draft, path);
  } catch (cause) {
    await fs.rm(draft, { force: true });
    throw new CardwrightError('rollcall.not-written', { facts: { path, errno: errnoOf(cause) }, cause });
  }
}
