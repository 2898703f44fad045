/** Commands in the guest: each is a script in the shared folder, started and reported over the command port. */
import { existsSync, readFileSync } from 'node:fs';
import { writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { waitFor } from '../processes.ts';
import { connectLines, type LineSocket } from './line-socket.ts';

export interface GuestResult {
  status: number;
  stdout: string;
  stderr: string;
}

export interface GuestJob {
  /** settles when the command ends; rejects when the machine ends first or `timeoutMs` is over */
  readonly result: Promise<GuestResult>;
  /** what it has printed so far */
  stdout(): string;
  stderr(): string;
  /** waits until its standard output matches */
  waitForOutput(pattern: RegExp, timeoutMs?: number): Promise<RegExpExecArray>;
  /** sends a signal to the command and its children */
  signal(name: 'INT' | 'TERM' | 'KILL'): Promise<void>;
}

export type StartJob = (command: string, options?: { timeoutMs?: number }) => Promise<GuestJob>;

/** The line-wise conversation with session.sh: "run ID" and "off" there, "ready S" and "done ID STATUS" back. */
export class CommandPort {
  readonly #lines: string[] = [];
  #socket: LineSocket | null = null;

  static async connect(path: string): Promise<CommandPort> {
    const port = new CommandPort();
    port.#socket = await connectLines(path, (line) => port.#lines.push(line));
    return port;
  }

  send(line: string): void {
    this.#socket?.send(line);
  }

  find(pattern: RegExp): RegExpExecArray | null {
    return this.#lines.map((line) => pattern.exec(line)).find((found) => found !== null) ?? null;
  }

  isClosed(): boolean {
    return this.#socket?.isClosed() ?? true;
  }

  close(): void {
    this.#socket?.close();
  }
}

export const shellQuote = (text: string) => `'${text.replaceAll("'", "'\\''")}'`;

/** Gives the function that starts commands in the guest, in the folder that this process is in. */
export function makeStartJob(port: CommandPort, outFolder: string): StartJob {
  let nextId = 1;
  const start: StartJob = async (command, { timeoutMs = 120_000 } = {}) => {
    const id = String(nextId++);
    await writeFile(join(outFolder, `${id}.sh`), `cd ${shellQuote(process.cwd())}\n${command}\n`);
    port.send(`run ${id}`);
    const read = (name: string) => {
      const path = join(outFolder, `${id}.${name}`);
      return existsSync(path) ? readFileSync(path, 'utf8') : '';
    };
    const isDone = () => {
      const done = port.find(new RegExp(`^done ${id} (\\d+)$`));
      if (done === null && port.isClosed()) throw new Error(`lab: the machine ended during: ${command}`);
      return done;
    };
    const finish = async (): Promise<GuestResult> => {
      const what = `the guest to end: ${command}`;
      const [, status] = await waitFor(what, isDone, { timeoutMs, everyMs: 20 });
      return { status: Number(status), stdout: read('stdout'), stderr: read('stderr') };
    };
    const result = finish();
    // Whoever waits for it gets the error; a test that fails before it does is not drowned by a second one.
    result.catch(() => undefined);
    return {
      result,
      stdout: () => read('stdout'),
      stderr: () => read('stderr'),
      waitForOutput: (pattern, waitMs = 60_000) =>
        waitFor(`${pattern} from: ${command}`, () => pattern.exec(read('stdout')), {
          timeoutMs: waitMs,
          everyMs: 20,
        }),
      async signal(name) {
        const killing = await start(`kill -s ${name} -- -$(cat /out/${id}.pid)`);
        const { status, stderr } = await killing.result;
        if (status !== 0) throw new Error(`lab: no signal for: ${command}: ${stderr}`);
      },
    };
  };
  return start;
}
