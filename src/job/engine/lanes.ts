/**
 * Works through numbered pieces with a few in flight at a time. Pieces are begun in order. The first failure ends
 * all lanes; what was in flight is waited for, so that no write is still on its way when this returns.
 */
export async function runLanes(
  pieces: number,
  lanes: number,
  work: (piece: number, lane: number) => Promise<void>,
): Promise<void> {
  let next = 0;
  let failed = false;
  let failure: unknown;

  async function runLane(lane: number): Promise<void> {
    while (next < pieces && !failed) {
      try {
        await work(next++, lane);
      } catch (error) {
        if (!failed) failure = error;
        failed = true;
      }
    }
  }

  await Promise.all(Array.from({ length: lanes }, (_, lane) => runLane(lane)));
  if (failed) throw failure;
}

/** Runs operations one after another in the order of the calls, whatever lane they come from. */
export function createTurnstile(): <T>(operation: () => Promise<T>) => Promise<T> {
  let last: Promise<unknown> = Promise.resolve();
  return (operation) => {
    const mine = last.then(operation);
    last = mine.catch(() => undefined);
    return mine;
  };
}
