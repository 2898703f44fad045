/** A small client of QEMU's control socket (QMP: one JSON object a line; QEMU "Machine Protocol Specification"). */

import { waitFor } from '../processes.ts';
import { connectLines, type LineSocket } from './line-socket.ts';

export interface QmpEvent {
  event: string;
  data: Record<string, unknown>;
}

interface Pending {
  resolve(value: unknown): void;
  reject(error: Error): void;
}

export class Qmp {
  /** every event so far */
  readonly events: QmpEvent[] = [];
  readonly #pending: Pending[] = [];
  #socket: LineSocket | null = null;

  static async connect(path: string): Promise<Qmp> {
    const qmp = new Qmp();
    qmp.#socket = await connectLines(
      path,
      (line) => qmp.#take(JSON.parse(line)),
      () => {
        for (const { reject } of qmp.#pending.splice(0))
          reject(new Error('lab: the virtual machine is gone'));
      },
    );
    await qmp.execute('qmp_capabilities');
    return qmp;
  }

  #take(message: Record<string, unknown>): void {
    if ('event' in message) {
      this.events.push({
        event: String(message.event),
        data: (message.data ?? {}) as Record<string, unknown>,
      });
    } else if ('error' in message) {
      const { desc } = message.error as { desc: string };
      this.#pending.shift()?.reject(new Error(`lab: the virtual machine refused: ${desc}`));
    } else if ('return' in message) {
      this.#pending.shift()?.resolve(message.return);
    }
  }

  /** Runs one command; throws with QEMU's own words when it refuses. Answers come in the order of the commands. */
  execute(command: string, args: Record<string, unknown> = {}): Promise<unknown> {
    return new Promise((resolve, reject) => {
      if (this.#socket === null || this.#socket.isClosed())
        throw new Error('lab: the virtual machine is gone');
      this.#pending.push({ resolve, reject });
      this.#socket.send(JSON.stringify({ execute: command, arguments: args }));
    });
  }

  /** Runs a command of the human monitor, which prints its errors instead of failing. */
  async executeHuman(line: string): Promise<void> {
    const said = String(await this.execute('human-monitor-command', { 'command-line': line })).trim();
    if (said !== '' && said !== 'OK') throw new Error(`lab: the virtual machine refused: ${said}`);
  }

  /** Waits for an event that came after the first `since` ones (`events.length` before the command). */
  waitForEvent(name: string, since: number, isIt: (data: QmpEvent['data']) => boolean): Promise<QmpEvent> {
    return waitFor(
      `the event ${name}`,
      () => this.events.slice(since).find(({ event, data }) => event === name && isIt(data)) ?? null,
      { timeoutMs: 15_000 },
    );
  }

  close(): void {
    this.#socket?.close();
  }
}
