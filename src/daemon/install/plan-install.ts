import * as fs from 'node:fs';
import { join } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { finding } from '../../contract/finding.ts';
import type { LaidFile } from './laid-files.ts';
import { digestOf, emptyLedger, ledgerFile, readLedger, stateFolder } from './ledger.ts';
import { foldersTo, readLaid } from './rooted-paths.ts';

/** One thing that installing or taking away does, or leaves alone, with the reason. */
export type Step =
  | { action: 'make-folder' | 'remove-folder' | 'remove-file' | 'same'; path: string }
  | { action: 'make-file' | 'renew-file'; path: string; text: string }
  | { action: 'keep'; path: string; why: string };

/**
 * What installing would do below a root: reads, and changes nothing.
 *
 * @throws CardwrightError `daemon.install-in-the-way`, with a finding for every file that is not as we left it
 */
export function planInstall(files: readonly LaidFile[], root: string): Step[] {
  const ledger = readLedger(root) ?? emptyLedger;
  const folders = [...files.map(({ path }) => path), ledgerFile].flatMap((path) => foldersTo(path, root));
  const missing = [...new Set(folders)].filter((folder) => !fs.existsSync(join(root, folder)));
  const steps = files.map((file) => stepFor(file, readLaid(file.path, root), ledger.files[file.path]));
  const foreign = steps.filter((step) => step.action === 'keep' && !isOwners(files, step.path));
  if (foreign.length > 0) throw inTheWay(foreign.map(({ path }) => path));
  return [...missing.map((path) => ({ action: 'make-folder' as const, path })), ...steps];
}

function stepFor({ path, text }: LaidFile, found: string | null, laid: readonly string[] = []): Step {
  if (found === null) return { action: 'make-file', path, text };
  if (found === text) return { action: 'same', path };
  if (laid.includes(digestOf(found))) return { action: 'renew-file', path, text };
  return { action: 'keep', path, why: 'it differs from ours' };
}

const isOwners = (files: readonly LaidFile[], path: string) =>
  files.some((file) => file.path === path && file.isOwners);

function inTheWay(paths: readonly string[]): CardwrightError {
  const why = 'is not as this command left it';
  const each = (path: string) => finding('daemon.install-in-the-way', 'refuse', { path, why });
  return new CardwrightError('daemon.install-in-the-way', {
    facts: { path: paths[0] ?? '', why },
    findings: paths.length > 1 ? paths.map(each) : [],
  });
}

/** What taking away would do: undoes what the ledger says, except what was changed or put there since. */
export function planRemoval(root: string): Step[] {
  const ledger = readLedger(root);
  if (ledger === null) return [];
  const steps: Step[] = [];
  for (const [path, digests] of Object.entries(ledger.files)) {
    const found = readLaid(path, root);
    if (found === null) continue;
    const isAsLaid = digests.includes(digestOf(found));
    steps.push(
      isAsLaid ? { action: 'remove-file', path } : { action: 'keep', path, why: 'it was changed since' },
    );
  }
  return [...steps, ...planFolders(ledger.folders, steps, root)];
}

/** A folder goes with the last that was in it; one that others use stays, and that of the records is said. */
function planFolders(folders: readonly string[], files: readonly Step[], root: string): Step[] {
  const removed = files.filter(({ action }) => action === 'remove-file').map(({ path }) => path);
  const gone = new Set([ledgerFile, ...removed]);
  const steps: Step[] = [];
  for (const path of folders.toReversed()) {
    const place = join(root, path);
    if (!fs.existsSync(place)) continue;
    const isEmpty = fs.readdirSync(place).every((name) => gone.has(join(path, name)));
    if (isEmpty) {
      gone.add(path);
      steps.push({ action: 'remove-folder', path });
    } else if (path === stateFolder) steps.push({ action: 'keep', path, why: 'the records are in it' });
  }
  return steps;
}
