import {
  accessSync,
  closeSync,
  constants,
  existsSync,
  fsyncSync,
  lstatSync,
  mkdirSync,
  openSync,
} from 'node:fs';
import { dirname, resolve } from 'node:path';
import Database from 'better-sqlite3';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { type Migration, migrate, refuseNewer } from './migrate.ts';
import { applicationId } from './schema.ts';
import { asStoreError } from './store-errors.ts';

/** SQLite file format, section 1.3.2. */
const smallestPageBytes = 512;

/** Makes a new name in a folder outlast a power cut. */
function syncFolder(folder: string): void {
  const descriptor = openSync(folder, constants.O_RDONLY | constants.O_DIRECTORY);
  try {
    fsyncSync(descriptor);
  } finally {
    closeSync(descriptor);
  }
}

/** Runs `make`; that another process was first is as good. */
function unlessThere(make: () => void): void {
  try {
    make();
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'EEXIST') throw error;
  }
}

/** Folders that are missing are made 0700; one that is there is left as its owner set it. */
function makeFolder(folder: string): void {
  if (existsSync(folder)) return;
  // One at a time: node's recursive mkdir reports a read-only file system as "no such file".
  makeFolder(dirname(folder));
  unlessThere(() => mkdirSync(folder, { mode: 0o700 }));
  syncFolder(dirname(folder));
}

/** Creates the file 0600 before SQLite would with the umask's mode; its companions take over the mode. */
function makeFile(path: string): void {
  const found = lstatSync(path, { throwIfNoEntry: false });
  if (found !== undefined) {
    if (!found.isFile()) {
      throw new CardwrightError('records.cannot-open', { facts: { path, why: 'it is not a plain file' } });
    }
    // SQLite takes a file of a few bytes for an empty one and writes over it.
    if (found.size > 0 && found.size < smallestPageBytes) {
      throw new CardwrightError('records.not-a-database', { facts: { path } });
    }
    return;
  }
  const flags = constants.O_RDWR | constants.O_CREAT | constants.O_EXCL;
  unlessThere(() => closeSync(openSync(path, flags, 0o600)));
  syncFolder(dirname(path));
}

/** Changing the journal mode is the one step for which SQLite does not wait by itself. */
function enterWriteAheadLog(db: Database.Database, busyTimeoutMs: number): void {
  const pause = new Int32Array(new SharedArrayBuffer(4));
  for (let waitedMs = 0; ; waitedMs += 20) {
    try {
      const mode = db.pragma('journal_mode = WAL', { simple: true });
      if (mode === 'wal') return;
      const why = `its file system cannot hold a write-ahead log (journal mode stays ${mode})`;
      throw new CardwrightError('records.cannot-open', { facts: { path: db.name, why } });
    } catch (error) {
      if (!isBusy(error) || waitedMs >= busyTimeoutMs) throw error;
      Atomics.wait(pause, 0, 0, 20);
    }
  }
}

function isBusy(error: unknown): boolean {
  return error instanceof Database.SqliteError && error.code.startsWith('SQLITE_BUSY');
}

/** One reading of both facts: another process may be laying out the same new file right now. */
const readMark = (db: Database.Database) =>
  db.transaction(() => ({
    id: Number(db.pragma('application_id', { simple: true })),
    tables: Number(db.prepare('SELECT count(*) FROM sqlite_schema').pluck().get()),
  }))();

function refuseForeign(db: Database.Database): void {
  const { id, tables } = readMark(db);
  if (id === applicationId || (id === 0 && tables === 0)) return;
  throw new CardwrightError('records.other-database', { facts: { path: db.name } });
}

/**
 * Write-ahead log with synchronous=FULL: a commit returns after the log was synced, so what was acknowledged
 * outlasts a power cut, and readers never wait for the writer. The rollback journal (DELETE) is not chosen since
 * with FULL it does not sync the folder after removing the journal (sqlite.org/pragma.html#pragma_synchronous,
 * "EXTRA"): a cut soon after a commit may bring the journal back and undo a "done". The price: the store cannot
 * lie on a network file system.
 */
function configure(db: Database.Database, busyTimeoutMs: number): void {
  enterWriteAheadLog(db, busyTimeoutMs);
  db.pragma('synchronous = FULL');
  db.pragma('foreign_keys = ON');
}

/** Marks a new file as ours, once. */
function markFile(db: Database.Database): void {
  if (readMark(db).id === applicationId) return;
  db.transaction(() => {
    refuseForeign(db);
    db.pragma(`application_id = ${applicationId}`);
  }).immediate();
}

/**
 * Opens the database file, making it and its folder where they are missing, and brings its layout up to date.
 * Throws `records.*` errors; a file that is refused is left as it was.
 */
export function openStore(
  path: string,
  migrations: readonly Migration[],
  busyTimeoutMs: number,
): Database.Database {
  let db: Database.Database | undefined;
  try {
    const folder = dirname(resolve(path));
    makeFolder(folder);
    makeFile(path);
    // SQLite opens what it may only read and says so late, in words that do not name the reason.
    accessSync(folder, constants.W_OK | constants.X_OK);
    accessSync(path, constants.R_OK | constants.W_OK);
    db = new Database(path, { fileMustExist: true, timeout: busyTimeoutMs });
    refuseForeign(db);
    refuseNewer(db, migrations);
    configure(db, busyTimeoutMs);
    markFile(db);
    migrate(db, migrations);
    return db;
  } catch (error) {
    db?.close();
    throw asStoreError(error, path, busyTimeoutMs);
  }
}
