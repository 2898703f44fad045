/** A copy of the tool whose worker does what it does, and tries the doors when it is told to. */
import * as fs from 'node:fs';
import { dirname, join } from 'node:path';
import { launcher } from './run-tool.ts';

/** What the worker got when it tried: the error's code, or what it could do. */
export interface Tried {
  [what: string]: string;
}

/**
 * Runs in the worker at SIGUSR2, with whatever the worker has. Its findings go out as an event of its job, since it
 * has no other way out.
 */
function tryDoors(paths: Record<string, string>): void {
  const { openSync, constants } = process.getBuiltinModule('node:fs');
  const { connect, createServer } = process.getBuiltinModule('node:net');
  const { spawnSync } = process.getBuiltinModule('node:child_process');
  const tried: Record<string, string> = {};
  const attempt = (what: string, act: () => unknown) => {
    try {
      act();
      tried[what] = 'done';
    } catch (error) {
      tried[what] = (error as NodeJS.ErrnoException).code ?? String(error);
    }
  };
  for (const [what, path] of Object.entries(paths)) {
    attempt(`read ${what}`, () => openSync(path, constants.O_RDONLY));
    attempt(`write ${what}`, () => openSync(path, constants.O_RDWR));
  }
  attempt('make a file', () => openSync('/tmp/cardwright-worker-was-here', 'w'));
  attempt('become root', () => process.setuid?.(0));
  attempt('take a group', () => process.setgroups?.([0]));
  attempt('signal its supervisor', () => process.kill(process.ppid, 0));
  attempt('raise its limit', () => {
    const { error } = spawnSync('prlimit', ['--pid', String(process.pid), '--nofile=64:64']);
    if (error) throw error;
  });
  const tell = () =>
    process.send?.({
      type: 'event',
      event: { type: 'say', topic: 'tried', text: JSON.stringify(tried) },
    });
  const listen = () => {
    const server = createServer();
    const end = (how: string) => {
      tried['listen on a socket'] = how;
      tell();
    };
    server.once('error', (error: NodeJS.ErrnoException) => end(error.code ?? 'error'));
    server.listen({ port: 0, host: '127.0.0.1' }, () => end('done'));
  };
  attempt('connect a socket', () => {
    const socket = connect({ port: 9, host: '127.0.0.1' });
    socket.once('error', (error: NodeJS.ErrnoException) => {
      tried['connect a socket'] = error.code ?? 'error';
      listen();
    });
  });
}

/** Lays the copy out below a folder that only root may enter; gives its launcher. */
export function copyTool(folder: string, paths: Record<string, string>): string {
  const root = dirname(dirname(launcher));
  const home = join(folder, 'for-root-alone');
  fs.mkdirSync(home, { mode: 0o700 });
  for (const part of ['bin', 'dist', 'package.json'])
    fs.cpSync(join(root, part), join(home, part), { recursive: true });
  fs.symlinkSync(join(root, 'node_modules'), join(home, 'node_modules'));
  const worker = join(home, 'dist', 'worker.cjs');
  const hook = `\nprocess.on('SIGUSR2', () => (${tryDoors.toString()})(${JSON.stringify(paths)}));\n`;
  fs.appendFileSync(worker, hook);
  return join(home, 'bin', 'cardwright.js');
}
