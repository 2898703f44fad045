import { connect } from 'node:net';

export interface RawAnswer {
  /** status of the first answer; null where there was none */
  status: number | null;
  text: string;
  elapsedMs: number;
}

/**
 * Sends bytes as they are and takes what comes until the other side hangs up, or says nothing more.
 *
 * @param quietMs so long after the last byte nothing more is waited for
 */
export function sendRaw(
  socketPath: string,
  bytes: string | Buffer,
  { ends = true, quietMs = 400, limitMs = 15_000 } = {},
): Promise<RawAnswer> {
  const begun = Date.now();
  return new Promise((resolve, reject) => {
    const socket = connect(socketPath);
    let text = '';
    let quiet: NodeJS.Timeout | undefined;
    const finish = () => {
      clearTimeout(limit);
      clearTimeout(quiet);
      socket.destroy();
      const status = /^HTTP\/1\.[01] (\d{3})/.exec(text)?.[1];
      resolve({ status: status === undefined ? null : Number(status), text, elapsedMs: Date.now() - begun });
    };
    const limit = setTimeout(() => {
      socket.destroy();
      reject(new Error(`no end after ${limitMs} ms: ${text.slice(0, 200)}`));
    }, limitMs);
    socket.setEncoding('utf8').on('data', (part: string) => {
      text += part;
      clearTimeout(quiet);
      quiet = setTimeout(finish, quietMs);
    });
    // Whoever is refused may be hung up on in the midst of what they say.
    socket.on('error', finish).on('close', finish);
    if (ends) socket.end(bytes);
    else socket.write(bytes);
  });
}
