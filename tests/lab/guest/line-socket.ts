/** A Unix socket that is spoken with in lines. */
import { once } from 'node:events';
import { createConnection, type Socket } from 'node:net';
import { waitFor } from '../processes.ts';

export interface LineSocket {
  send(line: string): void;
  /** true once the other end has gone */
  isClosed(): boolean;
  close(): void;
}

/** Connects, for as long as somebody is about to listen there; `take` gets every line, `ended` is called once. */
export async function connectLines(
  path: string,
  take: (line: string) => void,
  ended: () => void = () => undefined,
): Promise<LineSocket> {
  const socket = await waitFor(`a listener at ${path}`, () => tryConnecting(path), { timeoutMs: 10_000 });
  let rest = '';
  let isClosed = false;
  socket.setEncoding('utf8');
  socket.on('data', (text: string) => {
    const lines = (rest + text).split('\n');
    rest = lines.pop() ?? '';
    for (const line of lines) take(line);
  });
  // The machine may be killed while we listen: an error is followed by "close", and that is what counts.
  socket.on('error', () => undefined);
  socket.on('close', () => {
    isClosed = true;
    ended();
  });
  return {
    send: (line) => socket.write(`${line}\n`),
    isClosed: () => isClosed,
    close: () => socket.destroy(),
  };
}

async function tryConnecting(path: string): Promise<Socket | null> {
  const socket = createConnection(path);
  try {
    await once(socket, 'connect');
    return socket;
  } catch (error) {
    socket.destroy();
    // Not made yet, or made but not listened at yet.
    if (['ENOENT', 'ECONNREFUSED'].includes((error as NodeJS.ErrnoException).code ?? '')) return null;
    throw error;
  }
}
