import type { Readable } from 'node:stream';

/** What front and station say to one another: one JSON object a line, UTF-8, each line bounded. */
export class WireError extends Error {
  override readonly name = 'WireError';
}

/**
 * Reads JSON lines until the stream ends.
 *
 * @param mostBytes how long one line may be
 * @throws WireError for a longer line, one that is not JSON, or bytes behind the last newline
 */
export async function* readLines(stream: Readable, mostBytes: number): AsyncGenerator<unknown> {
  let parts: Buffer[] = [];
  let heldBytes = 0;
  for await (const chunk of stream) {
    let rest = chunk as Buffer;
    for (;;) {
      const end = rest.indexOf(0x0a);
      const piece = end < 0 ? rest : rest.subarray(0, end);
      heldBytes += piece.length;
      if (heldBytes > mostBytes) throw new WireError(`a line is longer than ${mostBytes} bytes`);
      parts.push(piece);
      if (end < 0) break;
      yield parseLine(Buffer.concat(parts));
      parts = [];
      heldBytes = 0;
      rest = rest.subarray(end + 1);
    }
  }
  if (heldBytes > 0) throw new WireError('the last line was cut off');
}

function parseLine(line: Buffer): unknown {
  try {
    return JSON.parse(line.toString('utf8'));
  } catch (cause) {
    throw new WireError('a line is not JSON', { cause });
  }
}

export function wireLine(value: unknown): string {
  return `${JSON.stringify(value)}\n`;
}
