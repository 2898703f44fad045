import * as fs from 'node:fs';
import { keysFromFile } from '../../batch/roll-call/keys-from-file.ts';
import { type KnownKeys, keysFromRecords } from '../../batch/roll-call/known-keys.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Plan } from '../../contract/plan.ts';
import type { Desk } from '../desk.ts';
import { recordsAnywhere } from '../record-reader.ts';

const mostBytes = 2 ** 22;

/**
 * The keys that this set's nodes should have: from a file where one is named, else from the records. Nothing to
 * compare with is a mistake to be told at once, unless the plan leaves host keys to the image.
 */
export async function knownKeysFor(desk: Desk, plan: Plan, file: string | undefined): Promise<KnownKeys> {
  const names = plan.nodes.map(({ name }) => name);
  if (file !== undefined) return keysFromFile(readText(file), file, plan.set, names);
  const records = await recordsAnywhere(desk);
  const keys = records
    ? keysFromRecords(records.list, plan.set)
    : { nodes: new Map<string, never>(), owners: new Map<string, never>() };
  if (plan.hostKeys === 'create' && keys.nodes.size === 0) {
    const why = records
      ? `${records.path} has no finished card of the set ${plan.set}`
      : 'this user has no records of cards';
    throw new CardwrightError('rollcall.no-keys', { facts: { why } });
  }
  return keys;
}

function readText(path: string): string {
  try {
    if (fs.statSync(path).size > mostBytes) throw Object.assign(new Error(), { code: 'EFBIG' });
    return fs.readFileSync(path, 'utf8');
  } catch (cause) {
    const errno = (cause as NodeJS.ErrnoException).code ?? 'unreadable';
    throw new CardwrightError('usage.file-unreadable', { facts: { path, errno }, cause });
  }
}
