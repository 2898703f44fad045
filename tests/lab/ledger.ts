/**
 * What the lab has put into the machine (loop devices, mounts, processes, folders) and how to take it back.
 *
 * Everything is entered here *before* it is made and struck out after it was taken away. Should the test process be
 * killed in between, its reaper (reaper.js) undoes the rest within a second or two: it is a child that waits on a
 * pipe which the kernel closes when we die, and looks whether we live. Should the reaper be killed too, the next process that opens a ledger
 * sweeps up. A loop over a file is found by that file's name, a process by pid and start time, so nothing that is
 * not ours is ever touched.
 */
import { spawn, spawnSync } from 'node:child_process';
import { randomBytes } from 'node:crypto';
import { appendFileSync, mkdirSync, readFileSync, statSync } from 'node:fs';
import type { Socket } from 'node:net';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

export type Undo =
  | { kind: 'loop'; backingPath: string }
  | { kind: 'mount'; path: string }
  | { kind: 'process'; pid: number; startedTicks: number }
  | { kind: 'folder'; path: string };

const uid = process.getuid?.() ?? 0;
/** The lab's own folder on the disk: ledgers, work folders, and the cache of fetched kernel packages. */
export const labRoot = `/var/tmp/cardwright-lab-${uid}`;
const reaperPath = join(dirname(fileURLToPath(import.meta.url)), 'reaper.js');

/** Start time of a process in clock ticks since boot, proc(5) field 22; throws when there is no such process. */
export function startTicksOf(pid: number): number {
  const stat = readFileSync(`/proc/${pid}/stat`, 'utf8');
  return Number(stat.slice(stat.lastIndexOf(')') + 2).split(' ')[19]);
}

function makeLabRoot(): string {
  mkdirSync(labRoot, { recursive: true, mode: 0o700 });
  if (statSync(labRoot).uid !== uid) throw new Error(`lab: ${labRoot} belongs to somebody else`);
  return labRoot;
}

interface Ledger {
  path: string;
  nextId: number;
}

function openLedger(): Ledger {
  const folder = makeLabRoot();
  const boot = readFileSync('/proc/sys/kernel/random/boot_id', 'utf8').trim();
  const owner = `${process.pid}.${startTicksOf(process.pid)}`;
  const path = join(folder, `${boot}.${owner}.${randomBytes(4).toString('hex')}.ledger`);
  appendFileSync(path, '', { mode: 0o600 });
  spawnSync(process.execPath, [reaperPath, '--sweep', folder], { stdio: ['ignore', 'inherit', 'inherit'] });
  const reaper = spawn(process.execPath, [reaperPath, path], {
    stdio: ['pipe', 'ignore', 'inherit'],
    detached: true,
  });
  // Neither the child nor its pipe may keep the test process from ending.
  reaper.unref();
  (reaper.stdin as Socket).unref();
  return { path, nextId: 1 };
}

// Test runners evaluate modules anew for each file, sometimes in one process: one ledger a process is enough.
const slot = globalThis as { cardwrightLabLedger?: Ledger };

/** Enters one thing to be undone; the returned function strikes it out. Synchronous, so nothing fits in between. */
export function enterInLedger(undo: Undo): () => void {
  slot.cardwrightLabLedger ??= openLedger();
  const ledger = slot.cardwrightLabLedger;
  const id = ledger.nextId++;
  appendFileSync(ledger.path, `${JSON.stringify({ enter: id, undo })}\n`);
  return () => appendFileSync(ledger.path, `${JSON.stringify({ strike: id })}\n`);
}
