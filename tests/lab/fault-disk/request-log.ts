/** The requests that reached the medium, as the plugin logs them: "write 4096 131072 ok". */
interface Request {
  op: 'read' | 'write' | 'flush';
  offset: number;
  lengthBytes: number;
  outcome: 'ok' | 'EIO' | 'vanished';
}

interface Tally {
  /** all requests, failed ones included */
  count: number;
  failed: number;
  /** of requests that went well */
  bytes: number;
  /** the longest request */
  longestBytes: number;
}

export interface Requests {
  read: Tally;
  write: Tally;
  flush: Tally;
  /** in the order in which they came */
  list: Request[];
}

const linePattern = /^(read|write|flush) (\d+) (\d+) (ok|EIO|vanished)$/;

function parseLine(line: string): Request {
  const [, op, offset, length, outcome] = linePattern.exec(line) ?? [];
  if (op === undefined) throw new Error(`lab: unknown line in the request log: ${line}`);
  return { op, offset: Number(offset), lengthBytes: Number(length), outcome } as Request;
}

function tally(list: readonly Request[], op: Request['op']): Tally {
  const requests = list.filter((request) => request.op === op);
  const good = requests.filter((request) => request.outcome === 'ok');
  return {
    count: requests.length,
    failed: requests.length - good.length,
    bytes: good.reduce((sum, request) => sum + request.lengthBytes, 0),
    longestBytes: Math.max(0, ...requests.map((request) => request.lengthBytes)),
  };
}

/** Counts a log; a last line without its end is still being written and left out. */
export function readRequests(text: string): Requests {
  const list = text.split('\n').slice(0, -1).map(parseLine);
  return { read: tally(list, 'read'), write: tally(list, 'write'), flush: tally(list, 'flush'), list };
}
