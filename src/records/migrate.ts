import type { Database } from 'better-sqlite3';
import { CardwrightError } from '../contract/cardwright-error.ts';

/** One step from layout `version - 1` to `version`. */
export interface Migration {
  version: number;
  sql: string;
}

export function layoutVersion(db: Database): number {
  return Number(db.pragma('user_version', { simple: true }));
}

/** Throws `records.newer` for a layout that a later program has made. */
export function refuseNewer(db: Database, migrations: readonly Migration[]): void {
  const known = migrations.at(-1)?.version ?? 0;
  const found = layoutVersion(db);
  if (found > known) throw new CardwrightError('records.newer', { facts: { path: db.name, found, known } });
}

/**
 * Brings a store to the last layout, each step with its version number in one transaction: a cut leaves the layout
 * before or the one after, never something between. Another process may do the same at once, so the version is
 * read again under the lock.
 */
export function migrate(db: Database, migrations: readonly Migration[]): void {
  for (const step of migrations) {
    if (layoutVersion(db) >= step.version) continue;
    db.transaction(() => {
      if (layoutVersion(db) !== step.version - 1) return;
      db.exec(step.sql);
      db.pragma(`user_version = ${step.version}`);
    }).immediate();
  }
}
