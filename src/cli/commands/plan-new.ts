import * as fs from 'node:fs';
import { homedir, userInfo } from 'node:os';
import { basename, dirname, join, resolve } from 'node:path';
import { askNewPlan, type Guesses } from '../../batch/plan/new/ask-new-plan.ts';
import { writeNewPlan } from '../../batch/plan/new/write-new-plan.ts';
import { errnoOf, stationFiles } from '../../batch/plan/plan-files.ts';
import { readPlan } from '../../batch/plan/read-plan.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import { parseAuthorizedKey } from '../../identity/keys/authorized-keys.ts';
import { checkUserName } from '../../identity/names.ts';
import { openQuestions } from '../ask-questions.ts';
import type { Desk } from '../desk.ts';
import { done } from '../run-command.ts';
import { entry } from '../text/sheet.ts';

/** Asks a few questions and writes a plan with comments; a file that is there already is never touched. */
export async function newPlanCommand(desk: Desk, path: string): Promise<ExitStatus> {
  const { output } = desk;
  const absolute = resolve(path);
  if (fs.existsSync(absolute)) throw new CardwrightError('plan.already-there', { facts: { path } });
  const questions = openQuestions(desk.signal);
  let text: string;
  try {
    const say = (sentence: string) => output.say(entry(output.sheet, 'again', sentence, { tone: 'care' }));
    text = writeNewPlan(await askNewPlan({ ask: questions.ask, say }, guessesFor(absolute)));
  } finally {
    questions.close();
  }
  await checkText(absolute, text);
  writeNew(path, absolute, text);
  output.show('new-plan', { path: absolute }, (sheet) => [
    ...entry(sheet, 'written', path, { tone: 'good' }),
    ...entry(sheet, 'next', `Look through it, then run cardwright plan --check ${path}.`, { tone: 'strong' }),
  ]);
  return done;
}

/** What is written passes the check: it is read as a plan before there is a file. */
async function checkText(absolute: string, text: string): Promise<void> {
  const content = Buffer.from(text);
  await readPlan(absolute, {
    readFile: async (path) => (path === absolute ? content : stationFiles.readFile(path)),
    stat: async (path) =>
      path === absolute ? { isFile: () => true, size: content.length, mode: 0o644 } : stationFiles.stat(path),
  });
}

function writeNew(path: string, absolute: string, text: string): void {
  try {
    fs.writeFileSync(absolute, text, { flag: 'wx', mode: 0o644 });
  } catch (cause) {
    const errno = errnoOf(cause);
    if (errno === 'EEXIST') throw new CardwrightError('plan.already-there', { facts: { path }, cause });
    throw new CardwrightError('plan.not-written', { facts: { path, errno }, cause });
  }
}

const imageName = /\.(img|iso|raw)(\.(gz|xz|zst|bz2))?$|\.zip$/;
const keyNames = ['id_ed25519.pub', 'id_ecdsa.pub', 'id_rsa.pub'];

function guessesFor(absolute: string): Guesses {
  const folder = dirname(absolute);
  const login = userInfo().username;
  const keys = keyNames.map((name) => join(homedir(), '.ssh', name));
  return {
    folder,
    set: basename(absolute).replace(/\.ya?ml$/, ''),
    user: checkUserName(login) === null ? login : 'grower',
    image: namesIn(folder).find((name) => imageName.test(name)) ?? null,
    key: keys.find((path) => fs.existsSync(path)) ?? null,
    isFile: async (path) => isFile(path),
    whyNoKey: async (path) => whyNoKey(path),
  };
}

function namesIn(folder: string): string[] {
  try {
    return fs
      .readdirSync(folder)
      .sort()
      .map((name) => join(folder, name));
  } catch {
    // Only a guess is lost; that the folder cannot be used is said when the plan is written.
    return [];
  }
}

const isFile = (path: string) => fs.statSync(path, { throwIfNoEntry: false })?.isFile() ?? false;

const mostKeyBytes = 64 * 1024;

function whyNoKey(path: string): string | null {
  try {
    if (!isFile(path)) return 'there is no such file';
    if (fs.statSync(path).size > mostKeyBytes) return 'it is too large for public keys';
    const lines = fs.readFileSync(path, 'utf8').split('\n');
    const first = lines.find((line) => line.trim() !== '' && !line.startsWith('#')) ?? '';
    const parsed = parseAuthorizedKey(first);
    return parsed.ok ? null : parsed.reason;
  } catch (error) {
    return `it cannot be read (${errnoOf(error)})`;
  }
}
