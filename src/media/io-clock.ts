import type { Medium } from './medium.ts';

/** What a card has completed, and when: by it a stall is told from a slow image or a pause of our own. */
export interface IoClock {
  /** milliseconds since the card completed anything while something was on its way to it; 0 while nothing is */
  waitingMs(): number;
  /** the medium, with every transfer and flush counted */
  count(inner: Medium): Medium;
}

/** @param onDone told after every completion, also in the midst of synchronous reading */
export function createIoClock(now: () => number, onDone: () => void): IoClock {
  let inFlight = 0;
  let sinceMs = now();

  function begin(): void {
    if (inFlight++ === 0) sinceMs = now();
  }

  function end(): void {
    inFlight--;
    sinceMs = now();
    onDone();
  }

  async function counted(operation: () => Promise<void>): Promise<void> {
    begin();
    try {
      await operation();
    } finally {
      end();
    }
  }

  return {
    waitingMs: () => (inFlight === 0 ? 0 : now() - sinceMs),
    count: (inner) => ({
      kind: inner.kind,
      sizeBytes: inner.sizeBytes,
      blockBytes: inner.blockBytes,
      read: (target, offset) => counted(() => inner.read(target, offset)),
      write: (source, offset) => counted(() => inner.write(source, offset)),
      flush: () => counted(() => inner.flush()),
      readNow(target, offset) {
        begin();
        try {
          inner.readNow(target, offset);
        } finally {
          end();
        }
      },
    }),
  };
}
