import { type ChildProcess, spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { fileURLToPath } from 'node:url';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { EventPort } from '../../contract/events.ts';
import type { SessionCalls } from '../engine/session.ts';
import {
  beatMs,
  type FromWorker,
  phaseOfCall,
  type SessionCall,
  stallMs,
  type ToWorker,
  type WorkerInit,
} from '../worker/protocol.ts';
import type { WorkerUser } from './worker-user.ts';

export interface WorkerParts {
  cardFd: number;
  image: { kind: 'file' | 'pipe'; fd: number } | { kind: 'none' };
  diskseqFd: number | null;
  statFd: number | null;
  user: WorkerUser | null;
  init: Omit<WorkerInit, 'type' | 'image'>;
  port: EventPort;
  /** ends the starting; a running worker is stopped through `stopInTime` */
  signal: AbortSignal;
}

/** A running worker as its supervisor sees it. */
export interface RunningWorker {
  pid: number;
  call<Name extends SessionCall>(name: Name, order: SessionCalls[Name][0]): Promise<SessionCalls[Name][1]>;
  /** asks the running call to end before its next piece */
  stop(): void;
  kill(): void;
  /** resolves when the process is gone */
  gone: Promise<void>;
}

/** Generous: a small computer that has other work takes long to load it. */
const startLimitMs = 60_000;

/** The worker as one self-contained script: it is handed over as text, since its user may not be able to read ours. */
function workerBundle(): string {
  const beside = fileURLToPath(new URL('./worker.cjs', import.meta.url));
  return fs.existsSync(beside) ? beside : fileURLToPath(new URL('../../../dist/worker.cjs', import.meta.url));
}

/**
 * Starts the unprivileged process of one job: a user of its own, no groups, no capabilities, none to be gained, and
 * an end to it when its supervisor ends. It loads its code, lowers its limit so that it can open nothing, and only
 * then is it believed.
 *
 * @throws CardwrightError `job.worker-not-started`, `job.cancelled`; nothing was written then
 */
export async function startWorker(parts: WorkerParts): Promise<RunningWorker> {
  const script = fs.openSync(workerBundle(), 'r');
  let child: ChildProcess;
  try {
    child = spawnWorker(parts, script);
  } finally {
    fs.closeSync(script);
  }
  const worker = converse(child, parts.port);
  const { signal } = parts;
  signal.addEventListener('abort', worker.kill, { once: true });
  try {
    await worker.ready(parts.user);
    worker.send({ type: 'init', image: parts.image.kind, ...parts.init });
  } catch (error) {
    child.kill('SIGKILL');
    throw signal.aborted ? new CardwrightError('job.cancelled', { card: 'untouched' }) : error;
  } finally {
    signal.removeEventListener('abort', worker.kill);
  }
  return worker;
}

function spawnWorker(parts: WorkerParts, script: number): ChildProcess {
  const { user, image } = parts;
  const drop = user
    ? [
        '--reuid',
        `${user.uid}`,
        '--regid',
        `${user.gid}`,
        '--clear-groups',
        '--bounding-set',
        '-all',
        '--inh-caps',
        '-all',
      ]
    : [];
  const feed = image.kind === 'none' ? 'ignore' : image.fd;
  return spawn('setpriv', [...drop, '--no-new-privs', '--pdeathsig', 'KILL', process.execPath, '-'], {
    stdio: [
      script,
      'ignore',
      'pipe',
      'ipc',
      parts.cardFd,
      feed,
      parts.diskseqFd ?? 'ignore',
      parts.statFd ?? 'ignore',
    ],
    serialization: 'advanced',
    cwd: '/',
    env: { PATH: '/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin', UV_THREADPOOL_SIZE: '12' },
  });
}

type Waiting = { resolve(value: unknown): void; reject(error: Error): void };
type WaitingCall = Waiting & { call: SessionCall };

/** A worker that is not heard while it works waits for its card in the midst of the file-system library. */
function watchSilence(waiting: ReadonlyMap<number, WaitingCall>, port: EventPort) {
  let heardMs = Date.now();
  let stallsTold = 0;
  const timer = setInterval(() => {
    const [running] = waiting.values();
    const silentMs = running ? Date.now() - heardMs : 0;
    const stalls = Math.floor(silentMs / stallMs);
    if (running && stalls > stallsTold) {
      const seconds = Math.floor(silentMs / 1000);
      port.emit({ type: 'stall', phase: phaseOfCall[running.call], seconds });
    }
    stallsTold = stalls;
  }, beatMs);
  timer.unref();
  return {
    heard: () => {
      heardMs = Date.now();
    },
    end: () => clearInterval(timer),
  };
}

function converse(child: ChildProcess, port: EventPort) {
  const waiting = new Map<number, WaitingCall>();
  const silence = watchSilence(waiting, port);
  let nextId = 1;
  let said = '';
  let isReady: Waiting | null = null;
  let death: CardwrightError | null = null;

  child.stderr?.setEncoding('utf8').on('data', (text: string) => {
    said = (said + text).slice(-2000);
  });
  const send = (message: ToWorker) => void child.send(message, () => undefined);

  function die(how: string): void {
    silence.end();
    death ??= new CardwrightError('job.worker-died', { facts: { how, said: said.trim() } });
    isReady?.reject(
      new CardwrightError('job.worker-not-started', { card: 'untouched', facts: { how, said: said.trim() } }),
    );
    for (const { reject } of waiting.values()) reject(death);
    waiting.clear();
  }

  const gone = new Promise<void>((resolve) => {
    child.once('error', (error) => {
      die(error.message);
      resolve();
    });
    child.once('close', (status, signal) => {
      die(signal ?? `exit status ${status}`);
      resolve();
    });
  });

  child.on('message', (message: FromWorker) => {
    silence.heard();
    const [running] = waiting.values();
    if (message.type === 'alive') return;
    if (message.type === 'stalled') {
      if (running) port.emit({ type: 'stall', phase: phaseOfCall[running.call], seconds: message.seconds });
    } else if (message.type === 'event') port.emit(message.event);
    else if (message.type === 'ready') isReady?.resolve(message);
    else {
      const call = waiting.get(message.id);
      waiting.delete(message.id);
      if (message.type === 'answer') call?.resolve(message.value);
      else call?.reject(new CardwrightError(message.error.code, withoutNull(message.error)));
    }
  });

  return {
    pid: child.pid ?? -1,
    gone,
    send,
    stop: () => send({ type: 'stop' }),
    kill: () => void child.kill('SIGKILL'),
    async ready(user: WorkerUser | null): Promise<void> {
      const timer = setTimeout(() => die('it did not answer in time'), startLimitMs);
      const answer = await new Promise<unknown>((resolve, reject) => {
        isReady = { resolve, reject };
        if (death) die('it ended at once');
      }).finally(() => clearTimeout(timer));
      isReady = null;
      const { uid, canOpen } = answer as { uid: number; canOpen: boolean };
      if (canOpen || (user && uid !== user.uid)) {
        const how = canOpen ? 'it can still open files' : `it runs as user ${uid}`;
        throw new CardwrightError('job.worker-not-started', { card: 'untouched', facts: { how, said } });
      }
    },
    call<Name extends SessionCall>(call: Name, order: SessionCalls[Name][0]): Promise<SessionCalls[Name][1]> {
      return new Promise((resolve, reject) => {
        if (death) return reject(death);
        const id = nextId++;
        if (waiting.size === 0) silence.heard();
        waiting.set(id, { call, resolve: resolve as (value: unknown) => void, reject });
        send({ type: 'call', id, call, order });
      });
    },
  };
}

function withoutNull(error: Extract<FromWorker, { type: 'failed' }>['error']) {
  const { facts, findings, card } = error;
  return card === null ? { facts, findings } : { facts, findings, card };
}
