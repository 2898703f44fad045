import { type ChildProcess, spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { request } from 'node:http';
import { join } from 'node:path';
import { runTool, startTool, type TestStation, withOwnStation } from '../e2e/run-tool.ts';

const program = join(import.meta.dirname, '..', '..', 'bin', 'cardwrightd.js');

export interface LogLine {
  part: string;
  msg: string;
  [key: string]: unknown;
}

export interface DaemonProcess {
  child: ChildProcess;
  runtime: string;
  /** what both parts logged so far */
  log(): LogLine[];
  /** resolves with the first such line, once it is there */
  logged(fits: (line: LogLine) => boolean): Promise<LogLine>;
  /** SIGTERM, and its exit status once it is gone */
  stop(): Promise<number | null>;
}

/** Starts the daemon in the foreground, and waits until both of its parts are ready. */
export async function startDaemon(folder: string, args: readonly string[]): Promise<DaemonProcess> {
  const runtime = join(folder, 'run');
  const child = spawn(process.execPath, [program, '--runtime', runtime, ...args], {
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  const lines: LogLine[] = [];
  const waiting = new Set<() => void>();
  let said = '';
  let rest = '';
  child.stderr.setEncoding('utf8').on('data', (text: string) => {
    said += text;
  });
  child.stdout.setEncoding('utf8').on('data', (text: string) => {
    const parts = (rest + text).split('\n');
    rest = parts.pop() ?? '';
    for (const part of parts) {
      if (part.startsWith('{')) lines.push(JSON.parse(part));
      else said += part;
    }
    for (const look of waiting) look();
  });
  const gone = new Promise<number | null>((resolve) => child.once('close', resolve));
  const logged: DaemonProcess['logged'] = (fits) =>
    new Promise((resolve, reject) => {
      const look = () => {
        const found = lines.find(fits);
        if (!found) return;
        waiting.delete(look);
        resolve(found);
      };
      waiting.add(look);
      void gone.then((status) => reject(new Error(`the daemon ended (${status}): ${said}`)));
      look();
    });
  const isReady = (part: string) => (line: LogLine) => line.part === part && line.msg === 'ready';
  await Promise.all([logged(isReady('station')), logged(isReady('front'))]);
  return {
    child,
    runtime,
    log: () => [...lines],
    logged,
    stop() {
      child.kill('SIGTERM');
      return gone;
    },
  };
}

export interface DaemonStation extends TestStation {
  daemon: DaemonProcess;
  /** what the daemon is started with */
  daemonArgs: string[];
  /** the same command in a process of its own: past the daemon, on the same policy and records */
  direct(...args: string[]): ReturnType<typeof runTool>;
  startDirect(...args: string[]): ReturnType<typeof startTool>;
}

/** A station whose commands go through a daemon of its own. */
export async function withDaemon<T>(
  allowDevices: readonly string[],
  prepare: Parameters<typeof withOwnStation>[1],
  body: (station: DaemonStation) => Promise<T>,
  more: { policy?: string; daemonArgs?: string[] } = {},
): Promise<T> {
  return withOwnStation(allowDevices, prepare, async (direct) => {
    const policy = join(direct.folder, 'policy.yaml');
    fs.appendFileSync(policy, more.policy ?? '');
    const uploads = join(direct.folder, 'uploads');
    const places = ['--policy', policy, '--records', direct.records, '--uploads', uploads];
    const daemonArgs = [...places, ...(more.daemonArgs ?? [])];
    const daemon = await startDaemon(direct.folder, daemonArgs);
    const env = { CARDWRIGHT_RUNTIME: daemon.runtime, XDG_STATE_HOME: join(direct.folder, 'state') };
    const run = (...args: string[]) => runTool([...args, '--json'], { env });
    try {
      return await body({
        ...direct,
        daemon,
        daemonArgs,
        common: ['--json'],
        run,
        start: (...args) => startTool([...args, '--json'], { env }),
        direct: (...args) => runTool([...args, '--direct', ...direct.common], { env }),
        startDirect: (...args) => startTool([...args, '--direct', ...direct.common], { env }),
        async codeOf(node) {
          const { lines } = await run('devices');
          const disks = (lines.at(-1)?.disks ?? []) as { node: string; code: string | null }[];
          return disks.find((disk) => disk.node === node)?.code ?? '';
        },
      });
    } finally {
      await daemon.stop();
    }
  });
}

export interface Answered {
  status: number;
  value: Record<string, unknown>;
}

/** One plain request on one of the sockets. */
export function ask(
  socketPath: string,
  method: string,
  path: string,
  options: { body?: unknown; raw?: Buffer; headers?: Record<string, string>; secret?: string } = {},
): Promise<Answered> {
  const json = options.body === undefined ? null : Buffer.from(JSON.stringify(options.body));
  const body = options.raw ?? json;
  return new Promise((resolve, reject) => {
    const asked = request(
      {
        socketPath,
        method,
        path,
        agent: false,
        headers: {
          ...(options.secret === undefined ? {} : { authorization: `Bearer ${options.secret}` }),
          ...(json ? { 'content-type': 'application/json' } : {}),
          ...(body ? { 'content-length': body.length } : {}),
          ...options.headers,
        },
      },
      (answer) => {
        const parts: Buffer[] = [];
        answer.on('data', (part) => parts.push(part));
        answer.on('error', reject);
        answer.on('end', () => {
          const text = Buffer.concat(parts).toString('utf8');
          resolve({ status: answer.statusCode ?? 0, value: text === '' ? {} : JSON.parse(text) });
        });
      },
    );
    asked.on('error', reject);
    asked.end(body ?? undefined);
  });
}
