import type { Server, Socket } from 'node:net';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { errorForm } from '../contract/error-form.ts';
import { type AnswerLine, callSchema, mostOrderBytes, type StationCall } from '../contract/station-calls.ts';
import { readLines, wireLine } from '../contract/wire.ts';
import type { Listening } from './answer-call.ts';

/** Calls beyond this wait in the kernel's queue. */
const mostConnections = 256;
const orderLimitMs = 30_000;

export type AnswerCall = (call: StationCall, asker: Listening) => Promise<unknown>;

/** Answers calls on the station's socket: each connection brings one order and takes one answer. */
export function serveStation(server: Server, answer: AnswerCall): void {
  server.maxConnections = mostConnections;
  server.on('connection', (socket) => {
    // Whoever hangs up has gone: nothing of the station's hangs on that.
    socket.on('error', () => undefined);
    void converse(socket, answer);
  });
}

async function converse(socket: Socket, answer: AnswerCall): Promise<void> {
  const say = (line: AnswerLine) => {
    if (socket.writable) socket.write(wireLine(line));
  };
  const leaving = new AbortController();
  socket.once('close', () => leaving.abort());
  try {
    const call = await readCall(socket);
    say({ value: await answer(call, { tell: (event) => say({ event }), gone: leaving.signal }) });
  } catch (error) {
    say({ error: errorForm(error) });
  } finally {
    socket.end();
  }
}

async function readCall(socket: Socket): Promise<StationCall> {
  const tooLate = setTimeout(() => socket.destroy(), orderLimitMs);
  try {
    const line = await readLines(socket, mostOrderBytes).next();
    const read = callSchema.safeParse(line.value);
    if (read.success) return read.data;
    throw new CardwrightError('daemon.bad-request', { facts: { why: 'no call of the station' } });
  } finally {
    clearTimeout(tooLate);
  }
}
