import type { Owner, StoredState } from './record-types.ts';

/** What the machine says now, asked about one owner. */
export interface OwnerSighting {
  bootId: string | null;
  /** our own pid namespace: pids of another one mean nothing here */
  pidNamespace: string | null;
  /** the process that has the owner's pid now; `none` where there is none, null where it cannot be told */
  process: ProcessStat | 'none' | null;
}

export interface ProcessStat {
  /** one letter, field 3 of /proc/PID/stat */
  state: string;
  /** clock ticks after boot, field 22 */
  startTicks: number;
}

/**
 * Reads /proc/PID/stat (proc(5)). The command name stands in parentheses and may itself hold spaces and
 * parentheses, so fields are counted from the last one. Null where the line is not of that shape.
 */
export function parseProcStat(line: string): ProcessStat | null {
  const fields = line
    .slice(line.lastIndexOf(')') + 1)
    .trim()
    .split(/\s+/);
  const state = fields[0];
  const startTicks = Number(fields[19]);
  if (!line.includes(')') || !state || !/^[A-Za-z]$/.test(state) || !Number.isSafeInteger(startTicks))
    return null;
  return { state, startTicks };
}

/**
 * Is the process that began a job gone for certain? True only on proof: another boot, no such process, a dead one
 * not yet collected, or the same number in use by a process that started at another time. In doubt the job counts
 * as running, since calling a live job interrupted would let a second one at its card.
 */
export function isOwnerGone(owner: Owner, seen: OwnerSighting): boolean {
  if (owner.bootId === null || seen.bootId === null) return false;
  if (owner.bootId !== seen.bootId) return true;
  if (owner.pidNamespace === null || owner.pidNamespace !== seen.pidNamespace) return false;
  if (seen.process === null) return false;
  if (seen.process === 'none') return true;
  if (seen.process.state === 'Z' || seen.process.state === 'X') return true;
  return owner.startTicks !== null && seen.process.startTicks !== owner.startTicks;
}

/** The state to report for a stored one, knowing whether the owner is gone. */
export function settledState(stored: StoredState, ownerGone: boolean): StoredState {
  if (!ownerGone) return stored;
  if (stored === 'running') return 'interrupted';
  return stored === 'sealing' ? 'unconfirmed' : stored;
}
