import { randomBytes } from 'node:crypto';
import * as fs from 'node:fs';
import { basename, dirname, join } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import {
  digestOf,
  emptyLedger,
  type Ledger,
  ledgerFile,
  ledgerText,
  readLedger,
  stateFolder,
} from './ledger.ts';
import type { Step } from './plan-install.ts';

/*
 * Carries out what was planned. The ledger is written before anything it names is made, and goes last when all is
 * taken away: a crash in here leaves nothing that the next call does not know, but for folders that lead to it.
 */

/** @throws CardwrightError `usage.file-not-written`; what was made until then is in the ledger */
export function install(steps: readonly Step[], root: string): void {
  const before = readLedger(root) ?? emptyLedger;
  const made = steps.filter((step) => step.action === 'make-folder').map((step) => step.path);
  const ledger: Ledger = {
    format: 1,
    folders: [...new Set([...before.folders, ...made])],
    files: { ...before.files, ...digestsOf(steps, before) },
  };
  // The folder of the ledger comes first: `made` has outer folders before inner ones.
  const isForLedger = (path: string) => `${stateFolder}/`.startsWith(`${path}/`);
  for (const path of made.filter(isForLedger)) makeFolder(path, root);
  if (ledgerText(ledger) !== ledgerText(before)) writeFile(ledgerFile, ledgerText(ledger), root);
  for (const path of made.filter((one) => !isForLedger(one))) makeFolder(path, root);
  for (const step of steps) {
    if (step.action === 'make-file' || step.action === 'renew-file') writeFile(step.path, step.text, root);
  }
}

function digestsOf(steps: readonly Step[], before: Ledger): Ledger['files'] {
  return Object.fromEntries(
    steps.flatMap((step) =>
      step.action === 'make-file' || step.action === 'renew-file'
        ? [[step.path, [...new Set([...(before.files[step.path] ?? []), digestOf(step.text)])]]]
        : [],
    ),
  );
}

/** @throws CardwrightError `usage.file-not-written` */
export function takeAway(steps: readonly Step[], root: string): void {
  const files = steps.filter((step) => step.action === 'remove-file');
  for (const { path } of files) within(path, () => fs.rmSync(join(root, path)));
  within(ledgerFile, () => fs.rmSync(join(root, ledgerFile), { force: true }));
  for (const { path } of steps.filter((step) => step.action === 'remove-folder'))
    within(path, () => fs.rmdirSync(join(root, path)));
}

function makeFolder(path: string, root: string): void {
  within(path, () => {
    const place = join(root, path);
    fs.mkdirSync(place);
    fs.chmodSync(place, path === stateFolder ? 0o700 : 0o755);
  });
}

/** Whole or not at all; what stood there is replaced in one step. */
function writeFile(path: string, text: string, root: string): void {
  const place = join(root, path);
  const draft = join(dirname(place), `.${basename(place)}.${randomBytes(4).toString('hex')}.new`);
  within(path, () => {
    try {
      fs.writeFileSync(draft, text, { flag: 'wx', flush: true });
      fs.chmodSync(draft, 0o644);
      fs.renameSync(draft, place);
    } finally {
      fs.rmSync(draft, { force: true });
    }
  });
}

function within(path: string, act: () => void): void {
  try {
    act();
  } catch (cause) {
    const errno = (cause as NodeJS.ErrnoException).code ?? 'unknown error';
    throw new CardwrightError('usage.file-not-written', { facts: { path, errno }, cause });
  }
}
