/**
 * The lab's reaper: takes back what a test process has left in the machine when it could not do so itself.
 *
 *   node reaper.js LEDGER          waits for the end of its standard input (the other end is held by the test
 *                                  process, so the kernel closes it whatever happens) or until that process is
 *                                  seen to be dead, then settles LEDGER
 *   node reaper.js --sweep FOLDER  settles every ledger in FOLDER whose owner no longer lives, at once
 *
 * A ledger is a file of JSON lines, `{"enter": id, "undo": {...}}` and `{"strike": id}` (see ledger.ts). What was
 * entered and never struck is undone in reverse order. Plain JavaScript, so that node runs it without a build.
 */
import { spawnSync } from 'node:child_process';
import { existsSync, readdirSync, readFileSync, rmSync } from 'node:fs';
import { basename, join } from 'node:path';

const ledgerName = /^([0-9a-f-]{36})\.(\d+)\.(\d+)\.[0-9a-f]+\.ledger$/;

function readIfThere(path) {
  try {
    return readFileSync(path, 'utf8');
  } catch (error) {
    // ENXIO, ESRCH: the device or process went away between the look and the read.
    if (['ENOENT', 'ENXIO', 'ESRCH', 'ENOTDIR'].includes(error.code)) return null;
    throw error;
  }
}

const bootId = () => readFileSync('/proc/sys/kernel/random/boot_id', 'utf8').trim();

/** Field 22 of /proc/PID/stat (proc(5)): with the pid it names one process for the life of the machine. */
function startTicks(pid) {
  const stat = readIfThere(`/proc/${pid}/stat`);
  if (stat === null) return null;
  const fields = stat.slice(stat.lastIndexOf(')') + 2).split(' ');
  return fields[0] === 'Z' ? null : Number(fields[19]);
}

function run(program, args) {
  const { status, error, stderr } = spawnSync(program, args, { timeout: 5000, encoding: 'utf8' });
  if (status !== 0) throw new Error(`${program} ${args.join(' ')}: ${error?.message ?? stderr.trim()}`);
}

function loopsOver(backingPath) {
  return readdirSync('/sys/block').filter((name) => {
    if (!name.startsWith('loop')) return false;
    const file = readIfThere(`/sys/block/${name}/loop/backing_file`)?.trimEnd();
    return file === backingPath || file === `${backingPath} (deleted)`;
  });
}

const undoers = {
  loop({ backingPath }) {
    for (const name of loopsOver(backingPath)) run('losetup', ['-d', `/dev/${name}`]);
  },
  mount({ path }) {
    const isMounted = () =>
      readFileSync('/proc/self/mountinfo', 'utf8')
        .split('\n')
        .some((line) => line.split(' ')[4] === path);
    // Lazily: the server behind a FUSE mount may be dead or stalled, and its loop still hold a file open.
    if (isMounted()) run('umount', ['-l', path]);
  },
  process({ pid, startedTicks }) {
    if (startTicks(pid) === startedTicks) process.kill(pid, 'SIGKILL');
  },
  folder({ path }) {
    rmSync(path, { recursive: true, force: true });
  },
};

function openEntries(ledger) {
  const open = new Map();
  for (const line of readFileSync(ledger, 'utf8').split('\n')) {
    // A last line cut short by the owner's death was an entry for something not yet begun.
    if (!line.endsWith('}')) continue;
    const { enter, undo, strike } = JSON.parse(line);
    if (strike === undefined) open.set(enter, undo);
    else open.delete(strike);
  }
  return [...open.values()].reverse();
}

/** Undoes what is open; keeps the ledger for a later sweep when a step failed. `kinds` limits what is touched. */
function settle(ledger, kinds = Object.keys(undoers)) {
  let failed = false;
  for (const undo of openEntries(ledger)) {
    if (!kinds.includes(undo.kind)) continue;
    try {
      undoers[undo.kind](undo);
    } catch (error) {
      failed = true;
      process.stderr.write(`lab reaper: ${JSON.stringify(undo)}: ${error.message}\n`);
    }
  }
  if (!failed) rmSync(ledger, { force: true });
}

function sweep(folder) {
  for (const name of readdirSync(folder)) {
    const [, boot, pid, ticks] = ledgerName.exec(name) ?? [];
    if (boot === undefined) continue;
    // After a restart of the machine only files can be left; pids and loops now belong to others.
    if (boot !== bootId()) settle(join(folder, name), ['folder']);
    else if (startTicks(pid) !== Number(ticks)) settle(join(folder, name));
  }
}

const [first, second] = process.argv.slice(2);
if (first === '--sweep') {
  sweep(second);
} else {
  // Ctrl-C reaches the whole foreground group; the reaper has to outlive it.
  for (const signal of ['SIGINT', 'SIGTERM', 'SIGHUP']) process.on(signal, () => undefined);
  process.chdir('/');
  let isSettled = false;
  const settleOnce = () => {
    if (isSettled) return;
    isSettled = true;
    if (existsSync(first)) settle(first);
    process.exit();
  };
  process.stdin.on('end', settleOnce);
  process.stdin.resume();
  // A thread that waits in the kernel for a stalled disk keeps a killed process's pipe open; its main thread is a
  // zombie by then. Only undoing what it waits for lets the rest of it go.
  const [, , pid, ticks] = ledgerName.exec(basename(first));
  setInterval(() => startTicks(pid) !== Number(ticks) && settleOnce(), 250);
}
