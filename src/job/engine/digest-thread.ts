import { Worker } from 'node:worker_threads';

/**
 * What the thread runs. It is text because the worker process that starts it can open no file: it digests stretches
 * of shared memory, either each for itself or as one running stream.
 */
const threadSource = `
const { parentPort, workerData } = require('node:worker_threads');
const { createHash } = require('node:crypto');
const memory = new Uint8Array(workerData);
let stream = createHash('sha256');
parentPort.on('message', ({ id, kind, from, length }) => {
  if (kind === 'finish') {
    parentPort.postMessage({ id, digest: new Uint8Array(stream.digest()) });
    stream = createHash('sha256');
    return;
  }
  const bytes = memory.subarray(from, from + length);
  if (kind === 'update') {
    stream.update(bytes);
    parentPort.postMessage({ id, digest: null });
  } else {
    parentPort.postMessage({ id, digest: new Uint8Array(createHash('sha256').update(bytes).digest()) });
  }
});
`;

/** SHA-256 beside the writing, on another core, over memory that both see. */
export interface DigestThread {
  /** digest of a stretch of the shared memory, 32 bytes */
  digest(from: number, length: number): Promise<Uint8Array>;
  /** adds a stretch to the running stream; stretches count in the order of the calls */
  update(from: number, length: number): Promise<void>;
  /** digest of the stream so far, which begins anew */
  finish(): Promise<Uint8Array>;
  /** resolves once the thread runs and needs no more descriptors */
  ready: Promise<void>;
  close(): Promise<void>;
}

export function startDigestThread(memory: Uint8Array): DigestThread {
  const thread = new Worker(threadSource, { eval: true, workerData: memory.buffer, stdin: false });
  const waiting = new Map<number, { resolve(digest: Uint8Array | null): void; reject(error: Error): void }>();
  let nextId = 0;

  thread.on('message', ({ id, digest }: { id: number; digest: Uint8Array | null }) => {
    waiting.get(id)?.resolve(digest);
    waiting.delete(id);
  });
  const failAll = (error: Error) => {
    for (const { reject } of waiting.values()) reject(error);
    waiting.clear();
  };
  thread.on('error', failAll);
  thread.on('exit', (status) => failAll(new Error(`the digest thread ended (${status})`)));
  thread.unref();

  function ask(
    kind: 'digest' | 'update' | 'finish',
    from: number,
    length: number,
  ): Promise<Uint8Array | null> {
    return new Promise((resolve, reject) => {
      const id = nextId++;
      waiting.set(id, { resolve, reject });
      thread.postMessage({ id, kind, from: memory.byteOffset + from, length });
    });
  }

  return {
    ready: new Promise((resolve) => void thread.once('online', resolve)),
    digest: async (from, length) => (await ask('digest', from, length)) ?? new Uint8Array(),
    update: async (from, length) => void (await ask('update', from, length)),
    finish: async () => (await ask('finish', 0, 0)) ?? new Uint8Array(),
    close: async () => void (await thread.terminate()),
  };
}
