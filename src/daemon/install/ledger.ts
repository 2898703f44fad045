import { createHash } from 'node:crypto';
import { dirname } from 'node:path';
import * as z from 'zod';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { readLaid } from './rooted-paths.ts';

/** What an installation made, so that taking it away undoes that and nothing else. Kept beside the records. */
export const ledgerFile = '/var/lib/cardwright/installed.json';
export const stateFolder = dirname(ledgerFile);

const ledgerSchema = z.strictObject({
  format: z.literal(1),
  /** in the order in which they were made */
  folders: z.array(z.string()),
  /** path, and the SHA-256 of each text that was ever put there: after a crash either of the last two may be */
  files: z.record(z.string(), z.array(z.string())),
});

export type Ledger = z.infer<typeof ledgerSchema>;

export const emptyLedger: Ledger = { format: 1, folders: [], files: {} };

export const digestOf = (text: string) => createHash('sha256').update(text).digest('hex');

export const ledgerText = (ledger: Ledger) => `${JSON.stringify(ledger, null, 2)}\n`;

/**
 * The ledger of an installation; null where there is none.
 *
 * @throws CardwrightError `daemon.install-in-the-way` where the file says something else
 */
export function readLedger(root: string): Ledger | null {
  const text = readLaid(ledgerFile, root);
  if (text === null) return null;
  try {
    return ledgerSchema.parse(JSON.parse(text));
  } catch (cause) {
    const facts = { path: ledgerFile, why: 'is no list of what was installed' };
    throw new CardwrightError('daemon.install-in-the-way', { facts, cause });
  }
}
