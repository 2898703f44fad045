import { CardwrightError } from '../contract/cardwright-error.ts';
import { type Code, catalogue } from '../contract/catalogue/index.ts';
import { type Facts, type Finding, finding, type Severity } from '../contract/finding.ts';
import type { Phase } from '../contract/job.ts';
import type {
  CheckVerdict,
  Owner,
  RecordedCheck,
  RecordedHostKey,
  RecordedPhase,
  StoredState,
} from './record-types.ts';
import type { Store } from './store.ts';

/** JSON that we wrote ourselves; if it does not read, the store is damaged. */
export function parseStored<T>(store: Store, text: string): T {
  try {
    return JSON.parse(text) as T;
  } catch (cause) {
    const facts = { path: store.path, why: 'an entry does not read as JSON' };
    throw new CardwrightError('records.damaged', { facts, cause });
  }
}

export interface OwnerRow {
  owner_pid: number;
  owner_start_ticks: number | null;
  owner_boot_id: string | null;
  owner_pid_namespace: string | null;
}

export const ownerFrom = (row: OwnerRow): Owner => ({
  pid: row.owner_pid,
  startTicks: row.owner_start_ticks,
  bootId: row.owner_boot_id,
  pidNamespace: row.owner_pid_namespace,
});

/** The owner of a record that is known to exist. */
export function readOwner(store: Store, id: number): Owner {
  const row = store.db.prepare<[number], OwnerRow>('SELECT * FROM jobs WHERE id = ?').get(id);
  if (row === undefined) throw new CardwrightError('records.no-such-record', { facts: { record: id } });
  return ownerFrom(row);
}

export interface OpenJob {
  id: number;
  state: StoredState;
  owner: Owner;
}

export function readOpenJobs(store: Store): OpenJob[] {
  return store.db
    .prepare<[], OwnerRow & { id: number; state: StoredState }>(
      `SELECT * FROM jobs WHERE state IN ('running', 'sealing') ORDER BY id`,
    )
    .all()
    .map((row) => ({ id: row.id, state: row.state, owner: ownerFrom(row) }));
}

interface PhaseRow {
  phase: Phase;
  begun_at_ms: number;
  elapsed_ms: number | null;
  bytes: number | null;
}

/** The phases of a record in the order in which they were entered. */
export function readPhases(store: Store, id: number): RecordedPhase[] {
  return store.db
    .prepare<[number], PhaseRow>('SELECT * FROM phases WHERE job = ? ORDER BY id')
    .all(id)
    .map((row) => ({
      phase: row.phase,
      begunAtMs: row.begun_at_ms,
      elapsedMs: row.elapsed_ms,
      bytes: row.bytes,
    }));
}

interface FindingRow {
  code: string;
  severity: Severity;
  facts: string;
}

/** A code that a later version wrote has no words here: it is told as such rather than dropped. */
function findingFrom(store: Store, row: FindingRow): Finding {
  if (!Object.hasOwn(catalogue, row.code)) {
    return finding('records.unknown-finding', row.severity, { code: row.code });
  }
  return { code: row.code as Code, severity: row.severity, facts: parseStored<Facts>(store, row.facts) };
}

/** What the job itself found (`check` null) or what one check found, in order. */
export function readFindings(store: Store, id: number, check: number | null): Finding[] {
  return store.db
    .prepare<[number, number | null], FindingRow>(
      'SELECT * FROM findings WHERE job = ? AND check_id IS ? ORDER BY id',
    )
    .all(id, check)
    .map((row) => findingFrom(store, row));
}

interface CheckRow {
  id: number;
  at_ms: number;
  verdict: CheckVerdict;
  bytes_read_back: number;
}

export function readChecks(store: Store, id: number): RecordedCheck[] {
  return store.db
    .prepare<[number], CheckRow>('SELECT * FROM checks WHERE job = ? ORDER BY id')
    .all(id)
    .map((row) => ({
      id: row.id,
      atMs: row.at_ms,
      verdict: row.verdict,
      bytesReadBack: row.bytes_read_back,
      findings: readFindings(store, id, row.id),
    }));
}

export function readHostKeys(store: Store, id: number): RecordedHostKey[] {
  return store.db
    .prepare<[number], RecordedHostKey>(
      'SELECT public_key AS publicKey, fingerprint FROM host_keys WHERE job = ? ORDER BY id',
    )
    .all(id);
}

export function readKernelLines(store: Store, id: number): string[] {
  return store.db
    .prepare<[number], string>('SELECT line FROM kernel_lines WHERE job = ? ORDER BY id')
    .pluck()
    .all(id);
}
