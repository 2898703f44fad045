import { connect } from 'node:net';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { errorOf } from '../contract/error-form.ts';
import { type Answers, mostAnswerBytes, type OrderOf, type StationCall } from '../contract/station-calls.ts';
import { readLines, WireError, wireLine } from '../contract/wire.ts';

/** Who asks, as it travels to the station. */
export type AskedBy = Pick<StationCall, 'right' | 'caller'>;

/** The front's only way to a disk: the station's socket. */
export interface StationLink {
  /** @throws CardwrightError the station's own, `daemon.station-away`, `daemon.not-understood` */
  ask<Name extends keyof Answers>(who: AskedBy, call: Name, order: OrderOf<Name>): Promise<Answers[Name]>;
  /** the same, for a call that tells events before its end */
  follow<Name extends keyof Answers>(
    who: AskedBy,
    call: Name,
    order: OrderOf<Name>,
    on: { event(event: unknown): void; signal?: AbortSignal },
  ): Promise<Answers[Name]>;
}

export function linkStation(path: string): StationLink {
  async function follow(
    who: AskedBy,
    call: string,
    order: unknown,
    on: { event(event: unknown): void; signal?: AbortSignal },
  ): Promise<unknown> {
    const socket = connect(path);
    const leave = () => socket.destroy();
    on.signal?.addEventListener('abort', leave, { once: true });
    try {
      socket.write(wireLine({ call, ...who, order }));
      for await (const line of readLines(socket, mostAnswerBytes)) {
        const told = line as { event?: unknown; value?: unknown; error?: unknown };
        if (told.error !== undefined) throw errorOf(told.error);
        if (told.value !== undefined) return told.value;
        on.event(told.event);
      }
      throw new CardwrightError('daemon.station-away', { facts: { why: 'it hung up' } });
    } catch (error) {
      if (error instanceof CardwrightError) throw error;
      if (error instanceof WireError) {
        throw new CardwrightError('daemon.not-understood', { facts: { why: error.message }, cause: error });
      }
      const why = (error as NodeJS.ErrnoException).code ?? String(error);
      throw new CardwrightError('daemon.station-away', { facts: { why }, cause: error });
    } finally {
      on.signal?.removeEventListener('abort', leave);
      socket.destroy();
    }
  }
  const link = {
    follow,
    ask: (who: AskedBy, call: string, order: unknown) => follow(who, call, order, { event: () => undefined }),
  };
  // What comes back is the station's own data, in the shape that the call's name stands for.
  return link as unknown as StationLink;
}
