/** Kills test processes that hold lab resources, and looks at the machine two seconds later. */
import { spawn } from 'node:child_process';
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { execa } from 'execa';
import { expect, it } from 'vitest';
import { bundleProgram } from './bundle.ts';
import { describeWith } from './capabilities.ts';
import { makeWorkFolder, withCleanup } from './cleanup.ts';
import { labRoot } from './ledger.ts';

interface Held {
  /** folders in which all that it holds lies */
  paths: string[];
}

/** Starts `program` as a plain node process; it prints what it holds as one JSON line, then waits for ever. */
async function startHolder(program: string, folder: string) {
  const file = join(folder, 'holder.mjs');
  await bundleProgram(program, file);
  const child = spawn(process.execPath, [file], { stdio: ['ignore', 'pipe', 'inherit'] });
  const held = await new Promise<Held>((resolve, reject) => {
    child.stdout.once('data', (line) => resolve(JSON.parse(String(line))));
    child.once('exit', (status) => reject(new Error(`the holder ended with ${status}`)));
  });
  child.removeAllListeners('exit');
  return { child, held, pid: child.pid ?? 0 };
}

const ledgersOf = (pid: number) => readdirSync(labRoot).filter((name) => name.includes(`.${pid}.`));

/** Every process whose command line or parent shows that it was started for the holder. */
function processesNaming(text: string): string[] {
  return readdirSync('/proc')
    .filter((name) => /^\d+$/.test(name))
    .filter((pid) => {
      try {
        return readFileSync(`/proc/${pid}/cmdline`, 'utf8').includes(text);
      } catch (error) {
        if (['ENOENT', 'ESRCH'].includes((error as NodeJS.ErrnoException).code ?? '')) return false;
        throw error;
      }
    });
}

async function leftovers({ paths }: Held, pid: number): Promise<string[]> {
  const loops = (await execa('losetup', ['--all'])).stdout.split('\n');
  const mounts = readFileSync('/proc/self/mountinfo', 'utf8').split('\n');
  return [
    ...loops.filter((line) => paths.some((path) => line.includes(path))),
    ...mounts.filter((line) => paths.some((path) => line.includes(path))),
    ...paths.filter((path) => existsSync(path)),
    ...paths.flatMap((path) => processesNaming(path).map((found) => `process ${found} with ${path}`)),
    ...ledgersOf(pid),
    ...processesNaming(`.${pid}.`).map((found) => `reaper ${found}`),
  ];
}

const loopHolder = `
  import { withLoopDisk } from './loop-disk.ts';
  import { dirname } from 'node:path';
  await withLoopDisk({ sizeBytes: 4 << 20, backing: 'file' }, async (disk) => {
    console.log(JSON.stringify({ paths: [dirname(disk.backingPath)] }));
    await new Promise((resolve) => setTimeout(resolve, 60_000));
  });
`;

// Worse: a write is under way that the medium will not answer for a minute.
const stalledHolder = `
  import { withFaultDisk } from './fault-disk/fault-disk.ts';
  import { writeDirect } from './direct-io.ts';
  import { dirname } from 'node:path';
  import { readFileSync } from 'node:fs';
  const faults = [{ kind: 'stall', op: 'write', nth: 1, forMs: 60_000 }];
  await withFaultDisk({ sizeBytes: 4 << 20, faults }, async (disk) => {
    const served = readFileSync('/sys/block/' + disk.name + '/loop/backing_file', 'utf8').trim();
    const writing = writeDirect(disk.node, 0, Buffer.alloc(4096));
    await new Promise((resolve) => setTimeout(resolve, 200));
    console.log(JSON.stringify({ paths: [dirname(disk.backingPath), dirname(dirname(served))] }));
    await writing;
  });
`;

const guestHolder = `
  import { withGuest } from './guest/guest.ts';
  import { labRoot } from './ledger.ts';
  import { existsSync, readdirSync, readFileSync } from 'node:fs';
  withGuest({ disks: [] }, () => new Promise(() => undefined)).catch(() => undefined);
  const timer = setInterval(() => {
    const ledger = readdirSync(labRoot).find((name) => name.includes('.' + process.pid + '.'));
    const entries = ledger === undefined ? [] : readFileSync(labRoot + '/' + ledger, 'utf8').trim().split('\\n');
    const paths = entries.filter((line) => line.includes('"folder"')).map((line) => JSON.parse(line).undo.path);
    const booting = paths.filter((path) => existsSync(path + '/qmp'));
    if (booting.length > 0) {
      clearInterval(timer);
      console.log(JSON.stringify({ paths: booting }));
    }
  }, 50);
`;

describeWith(['loop'], 'a test process that is killed', () => {
  it('leaves no loop, file, process or ledger two seconds later', async () => {
    await withCleanup(async (cleanup) => {
      const { child, held, pid } = await startHolder(loopHolder, await makeWorkFolder(cleanup));
      expect(await leftovers(held, pid)).not.toEqual([]);
      child.kill('SIGKILL');
      await sleep(2000);
      expect(await leftovers(held, pid)).toEqual([]);
    });
  });

  it('is swept up after by the next one when its reaper was killed as well', async () => {
    await withCleanup(async (cleanup) => {
      const folder = await makeWorkFolder(cleanup);
      const { child, held, pid } = await startHolder(loopHolder, folder);
      const reapers = processesNaming(`.${pid}.`).map(Number);
      expect(reapers).toHaveLength(1);
      for (const reaper of reapers) process.kill(reaper, 'SIGKILL');
      child.kill('SIGKILL');
      await sleep(1000);
      expect(await leftovers(held, pid)).not.toEqual([]);

      const next = await startHolder(loopHolder, folder);
      next.child.kill('SIGKILL');
      expect(await leftovers(held, pid)).toEqual([]);
      await sleep(2000);
      expect(await leftovers(next.held, next.pid)).toEqual([]);
    });
  });
});

describeWith(['fault-disk'], 'a test process that is killed in a stalled write', () => {
  it('leaves no loop, mount, server, file or ledger two seconds later', async () => {
    await withCleanup(async (cleanup) => {
      const { child, held, pid } = await startHolder(stalledHolder, await makeWorkFolder(cleanup));
      // nbdkit and nbdfuse, the mount, the loop, two folders, the ledger and its reaper.
      expect((await leftovers(held, pid)).length).toBeGreaterThanOrEqual(8);
      child.kill('SIGKILL');
      await sleep(2000);
      expect(await leftovers(held, pid)).toEqual([]);
    });
  });
});

describeWith(['guest'], 'a test process that is killed while its guest boots', { timeoutMs: 120_000 }, () => {
  it('leaves no virtual machine two seconds later', async () => {
    await withCleanup(async (cleanup) => {
      const { child, held, pid } = await startHolder(guestHolder, await makeWorkFolder(cleanup));
      expect(await leftovers(held, pid)).toEqual(expect.arrayContaining([expect.stringMatching(/^process/)]));
      child.kill('SIGKILL');
      await sleep(2000);
      expect(await leftovers(held, pid)).toEqual([]);
    });
  });
});
