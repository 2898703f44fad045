import { SqliteError } from 'better-sqlite3';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Code } from '../contract/catalogue/index.ts';

/** SQLite result codes (extended ones begin with the primary's name) and what they mean for the store. */
const sqliteMeaning: readonly [prefix: string, code: Code][] = [
  ['SQLITE_FULL', 'records.disk-full'],
  // growing the index of the write-ahead log: the file system had no room for it
  ['SQLITE_IOERR_SHMSIZE', 'records.disk-full'],
  ['SQLITE_IOERR', 'records.io-failed'],
  ['SQLITE_NOTADB', 'records.not-a-database'],
  ['SQLITE_CORRUPT', 'records.damaged'],
  ['SQLITE_READONLY', 'records.not-writable'],
  ['SQLITE_PERM', 'records.cannot-open'],
  ['SQLITE_CANTOPEN', 'records.cannot-open'],
  ['SQLITE_BUSY', 'records.busy'],
  ['SQLITE_LOCKED', 'records.busy'],
];

const systemMeaning: Record<string, Code> = {
  ENOSPC: 'records.disk-full',
  EDQUOT: 'records.disk-full',
  EROFS: 'records.not-writable',
  EIO: 'records.io-failed',
};

/**
 * The catalogued error for whatever SQLite or the system threw; a CardwrightError passes as it is, and anything
 * that is neither (a fault of ours) too.
 */
export function asStoreError(error: unknown, path: string, busyTimeoutMs: number): unknown {
  if (error instanceof CardwrightError || !(error instanceof Error)) return error;
  const facts = { path, why: error.message, seconds: Math.round(busyTimeoutMs / 1000) };
  if (error instanceof SqliteError) {
    const known = sqliteMeaning.find(([prefix]) => error.code.startsWith(prefix));
    const why = `${error.message} (${error.code})`;
    return new CardwrightError(known?.[1] ?? 'records.failed', { facts: { ...facts, why }, cause: error });
  }
  const { code, syscall } = error as NodeJS.ErrnoException;
  if (syscall === undefined || code === undefined) return error;
  return new CardwrightError(systemMeaning[code] ?? 'records.cannot-open', { facts, cause: error });
}
