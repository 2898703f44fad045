import { readFileSync, readlinkSync } from 'node:fs';
import { type OwnerSighting, type ProcessStat, parseProcStat } from './owner.ts';
import type { Owner } from './record-types.ts';

/** How /proc is read; tests pass another machine's. Each throws what node:fs throws. */
export interface ProcReader {
  readText(path: string): string;
  readLink(path: string): string;
}

const proc: ProcReader = {
  readText: (path) => readFileSync(path, 'utf8'),
  readLink: (path) => readlinkSync(path),
};

function orNull<T>(read: () => T): T | null {
  try {
    return read();
  } catch {
    // A fact that cannot be had counts as unknown, and unknown never settles a job (isOwnerGone).
    return null;
  }
}

const bootId = (from: ProcReader) => orNull(() => from.readText('/proc/sys/kernel/random/boot_id').trim());
const pidNamespace = (from: ProcReader) => orNull(() => from.readLink('/proc/self/ns/pid'));

function seeProcess(pid: number, from: ProcReader): ProcessStat | 'none' | null {
  try {
    return parseProcStat(from.readText(`/proc/${pid}/stat`));
  } catch (error) {
    const code = (error as NodeJS.ErrnoException).code;
    if (code === 'ESRCH') return 'none';
    // With hidepid, other users' processes look absent: believe it only if our own entry can be seen beside it.
    return code === 'ENOENT' && canSeeOthers(from) ? 'none' : null;
  }
}

/** Process 1 always lives; where even its entry is hidden, an absent entry proves nothing. */
function canSeeOthers(from: ProcReader): boolean {
  return orNull(() => from.readText('/proc/1/stat')) !== null;
}

/** This process, as the owner of the jobs it begins. */
export function ownProcess(pid: number = process.pid, from: ProcReader = proc): Owner {
  const stat = seeProcess(pid, from);
  return {
    pid,
    startTicks: stat === null || stat === 'none' ? null : stat.startTicks,
    bootId: bootId(from),
    pidNamespace: pidNamespace(from),
  };
}

/** Looks for the owner of a job on this machine, now. */
export function seeOwner(owner: Owner, from: ProcReader = proc): OwnerSighting {
  return { bootId: bootId(from), pidNamespace: pidNamespace(from), process: seeProcess(owner.pid, from) };
}
