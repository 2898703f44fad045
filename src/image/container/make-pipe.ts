import { execFile } from 'node:child_process';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { promisify } from 'node:util';
import { CardwrightError } from '../../contract/cardwright-error.ts';

const run = promisify(execFile);

/** Both ends of a pipe, as plain descriptors of this process. */
export interface Pipe {
  readFd: number;
  writeFd: number;
}

/**
 * A pipe between two children that this process never reads from itself. The `pipe` of Node's `spawn` is read ahead
 * by the parent as soon as it exists, so what a decoder writes before the worker is started would be lost. Node
 * has no pipe(2): a named pipe is made, opened at both ends and removed again at once.
 *
 * A crash in here leaves an empty folder in the temporary folder, at most.
 * @throws CardwrightError image.decoder-missing where there is no `mkfifo`
 */
export async function makePipe(): Promise<Pipe> {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'cardwright-pipe-'));
  const opened: number[] = [];
  const open = (name: string, flags: number) => {
    const fd = fs.openSync(name, flags);
    opened.push(fd);
    return fd;
  };
  try {
    const name = path.join(folder, 'image');
    await run('mkfifo', ['-m', '600', name]);
    const { O_RDONLY, O_WRONLY, O_NONBLOCK } = fs.constants;
    const first = open(name, O_RDONLY | O_NONBLOCK);
    const writeFd = open(name, O_WRONLY);
    // opened anew, since a reader must not inherit O_NONBLOCK
    const readFd = open(`/proc/self/fd/${first}`, O_RDONLY);
    fs.closeSync(first);
    return { readFd, writeFd };
  } catch (error) {
    for (const fd of opened) fs.closeSync(fd);
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') {
      throw new CardwrightError('image.decoder-missing', {
        facts: { program: 'mkfifo', package: 'coreutils' },
        cause: error,
      });
    }
    throw error;
  } finally {
    fs.rmSync(folder, { recursive: true, force: true });
  }
}
