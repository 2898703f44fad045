/**
 * Attaches a file as a real /dev/loopN, proves that the device is ours and that direct I/O is on, and takes it away.
 *
 * Direct I/O matters: without it the page cache of the backing file answers for the medium, and every lie passes.
 *
 * Detaching is lazy: while anybody has the device open, `losetup -d` returns 0 and the kernel detaches at the last
 * close (loop(4), LO_FLAGS_AUTOCLEAR). So `detachLoop` looks until it is really gone, and otherwise names the holders.
 */
import { readdir, readFile, readlink, stat } from 'node:fs/promises';
import { setTimeout as sleep } from 'node:timers/promises';
import { execa } from 'execa';

export interface Loop {
  /** "/dev/loop3" */
  node: string;
  /** "loop3" */
  name: string;
  /** "7:3" */
  majorMinor: string;
  backingPath: string;
}

export interface LoopOptions {
  sectorBytes?: 512 | 4096 | undefined;
  readOnly?: boolean | undefined;
  /** this very loop ("loop3") instead of the first free one; waited for if somebody else has just taken it */
  name?: string | undefined;
}

const readAttribute = async (name: string, attribute: string) =>
  (await readFile(`/sys/block/${name}/${attribute}`, 'utf8')).trimEnd();

/** Throws unless the loop is over exactly this file (by device and inode, not by name) with direct I/O on. */
async function proveLoop(name: string, backingPath: string): Promise<void> {
  const columns = ['--noheadings', '--raw', '--output', 'BACK-INO,BACK-MAJ:MIN'];
  const { stdout } = await execa('losetup', [...columns, `/dev/${name}`]);
  // losetup pads the numbers and then escapes its own padding.
  const found = stdout.replaceAll('\\x20', ' ').trim().split(/\s+/).join(' ');
  const { ino, dev } = await stat(backingPath);
  // makedev(3), the encoding of st_dev.
  const major = (dev >> 8) & 0xfff;
  const minor = (dev & 0xff) | ((dev >> 12) & 0xfff00);
  if (found !== `${ino} ${major}:${minor}`) {
    throw new Error(`lab: /dev/${name} stands on ${found}, not on ${backingPath} (${ino} ${major}:${minor})`);
  }
  if ((await readAttribute(name, 'loop/dio')) !== '1') {
    throw new Error(
      `lab: no direct I/O on /dev/${name} over ${backingPath}: this kernel or file system does not offer it`,
    );
  }
}

async function losetup(backingPath: string, { sectorBytes, readOnly, name }: LoopOptions): Promise<string> {
  const { stdout } = await execa('losetup', [
    '--direct-io=on',
    ...(sectorBytes === undefined ? [] : ['--sector-size', String(sectorBytes)]),
    ...(readOnly === true ? ['--read-only'] : []),
    ...(name === undefined ? ['--find', '--show'] : [`/dev/${name}`]),
    backingPath,
  ]);
  return name ?? stdout.trim().replace('/dev/', '');
}

/** Attaches and proves; on a refusal nothing stays attached. */
export async function attachLoop(backingPath: string, options: LoopOptions = {}): Promise<Loop> {
  const deadline = performance.now() + 10_000;
  for (;;) {
    try {
      const name = await losetup(backingPath, options);
      const loop = { node: `/dev/${name}`, name, majorMinor: await readAttribute(name, 'dev'), backingPath };
      await proveLoop(name, backingPath).catch(async (error) => {
        await detachLoop(loop);
        throw error;
      });
      return loop;
    } catch (error) {
      // Another test may hold the named loop for a moment: `losetup --find` hands out the one just freed.
      const isTaken = options.name !== undefined && /busy/i.test(String(error));
      if (!isTaken || performance.now() > deadline) throw error;
      await sleep(100);
    }
  }
}

/** "pid 12 (node)" for every process that has the device open. */
async function holdersOf(name: string): Promise<string[]> {
  const holders = [];
  for (const pid of (await readdir('/proc')).filter((entry) => /^\d+$/.test(entry))) {
    // A process may end while we look; then it holds nothing.
    const descriptors = await readdir(`/proc/${pid}/fd`).catch(() => []);
    for (const fd of descriptors) {
      const target = await readlink(`/proc/${pid}/fd/${fd}`).catch(() => null);
      if (target !== `/dev/${name}`) continue;
      const command = await readFile(`/proc/${pid}/comm`, 'utf8').catch(() => '?');
      holders.push(`pid ${pid} (${command.trimEnd()})`);
    }
  }
  return holders;
}

/** Whether the loop stands on our file; by now the same name may belong to somebody else. */
async function isOurs({ name, backingPath }: Loop): Promise<boolean> {
  try {
    const file = await readAttribute(name, 'loop/backing_file');
    return file === backingPath || file === `${backingPath} (deleted)`;
  } catch (error) {
    // The folder goes with the backing file; ENXIO or ENODEV when it goes while being read.
    if (['ENOENT', 'ENXIO', 'ENODEV'].includes((error as NodeJS.ErrnoException).code ?? '')) return false;
    throw error;
  }
}

/** Detaches and waits until the device is gone; throws with the holders' names after `patienceMs`. */
export async function detachLoop(loop: Loop, patienceMs = 2000): Promise<void> {
  if (!(await isOurs(loop))) return;
  await execa('losetup', ['--detach', loop.node], { timeout: patienceMs });
  const deadline = performance.now() + patienceMs;
  while (await isOurs(loop)) {
    if (performance.now() > deadline) {
      const holders = (await holdersOf(loop.name)).join(', ') || 'a mount or the kernel';
      throw new Error(`lab: ${loop.node} is still attached after ${patienceMs} ms, held by ${holders}`);
    }
    await sleep(20);
  }
}
