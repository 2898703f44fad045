import { type IncomingMessage, request } from 'node:http';
import { userInfo } from 'node:os';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { errorOf } from '../../daemon/contract/error-form.ts';

/** One request to the daemon. */
export interface DaemonCall {
  method: 'GET' | 'POST' | 'PATCH' | 'DELETE';
  path: string;
  body?: unknown;
  /** instead of a body in JSON */
  bytes?: Uint8Array;
}

export interface DaemonAddress {
  socketPath: string;
  /** tells our jobs from other people's */
  secret: string;
}

const mostAnswerBytes = 64 * 2 ** 20;

export function headersFor({ secret }: DaemonAddress): Record<string, string> {
  return { host: 'localhost', authorization: `Bearer ${secret}`, 'cardwright-user': userName() };
}

function userName(): string {
  try {
    return userInfo().username.replace(/[^\x21-\x7e]/g, '?');
  } catch {
    // A user without an entry of its own: the number says as much.
    return `${process.getuid?.() ?? -1}`;
  }
}

/**
 * Asks the daemon and gives its answer.
 *
 * @throws CardwrightError the daemon's own, `daemon.front-away`, `daemon.not-understood`
 */
export async function callDaemon(address: DaemonAddress, call: DaemonCall): Promise<unknown> {
  const body = call.bytes ?? (call.body === undefined ? null : Buffer.from(JSON.stringify(call.body)));
  const type = call.bytes ? 'application/octet-stream' : 'application/json';
  const answer = await new Promise<IncomingMessage>((resolve, reject) => {
    const asked = request(
      {
        socketPath: address.socketPath,
        // A connection that was kept may be hung up on just when it is used again.
        agent: false,
        method: call.method,
        path: call.path,
        headers: {
          ...headersFor(address),
          ...(body ? { 'content-type': type, 'content-length': body.length } : {}),
        },
      },
      resolve,
    );
    asked.once('error', (error) => reject(frontAway(error)));
    asked.end(body ?? undefined);
  });
  const value = await readJson(answer);
  if ((answer.statusCode ?? 500) >= 400) throw errorOf(value);
  return value;
}

export function frontAway(cause: unknown): CardwrightError {
  const why = (cause as NodeJS.ErrnoException).code ?? String(cause);
  return new CardwrightError('daemon.front-away', { facts: { why }, cause });
}

/** @throws CardwrightError `daemon.front-away`, `daemon.not-understood` */
export async function readJson(answer: IncomingMessage): Promise<unknown> {
  const parts: Buffer[] = [];
  let bytes = 0;
  try {
    for await (const part of answer) {
      bytes += (part as Buffer).length;
      if (bytes > mostAnswerBytes) throw new Error('the answer does not end');
      parts.push(part as Buffer);
    }
  } catch (error) {
    throw frontAway(error);
  }
  try {
    return JSON.parse(Buffer.concat(parts).toString('utf8'));
  } catch (cause) {
    throw new CardwrightError('daemon.not-understood', { facts: { why: 'it is not JSON' }, cause });
  }
}
