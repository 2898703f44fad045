import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Facts } from '../contract/finding.ts';
import type { Medium } from './medium.ts';
import type { SlotWatch } from './slot-watch.ts';

/**
 * Compares the slot before every write and after every completion, and remembers the first failure, of a read too:
 * from then on nothing is written any more, cleaning up included. Reading goes on, so that it can be said what is there.
 * Its fact `onTheWayBytes` counts writes that were not known to have ended on the approved card: the kernel may send
 * those to whatever is in the slot by then.
 */
export function watchMedium(inner: Medium, watch: SlotWatch): Medium {
  let failure: CardwrightError | null = null;
  let onTheWayBytes = 0;

  async function guarded(bytes: number, operation: () => Promise<void>): Promise<void> {
    if (failure) throw failure;
    try {
      watch.check();
      onTheWayBytes += bytes;
      await operation();
      watch.check();
      onTheWayBytes -= bytes;
    } catch (error) {
      remember(error);
      throw failure;
    }
  }

  /** The failure that this one is; the first of all stands in the way of every later write. */
  function remember(error: unknown): CardwrightError {
    const named = nameFailure(error as CardwrightError, watch);
    failure ??= onTheWayBytes > 0 ? withFact(named, { onTheWayBytes }) : named;
    return named;
  }

  return {
    kind: inner.kind,
    sizeBytes: inner.sizeBytes,
    blockBytes: inner.blockBytes,
    write: (source, offset) => guarded(source.length, () => inner.write(source, offset)),
    flush: () => guarded(0, () => inner.flush()),
    async read(target, offset) {
      try {
        await inner.read(target, offset);
        watch.check();
      } catch (error) {
        throw remember(error);
      }
    },
    readNow: (target, offset) => {
      try {
        inner.readNow(target, offset);
        watch.check();
      } catch (error) {
        throw remember(error);
      }
    },
  };
}

function withFact(error: CardwrightError, fact: Facts): CardwrightError {
  const { code, card, findings, facts, cause } = error;
  return new CardwrightError(code, {
    ...(card === null ? {} : { card }),
    findings,
    facts: { ...facts, ...fact },
    cause: cause ?? error,
  });
}

/** A card that was pulled answers with all sorts of error numbers: the slot tells whether it was that. */
function nameFailure(error: CardwrightError, watch: SlotWatch): CardwrightError {
  try {
    watch.check();
    return error;
  } catch (lost) {
    return lost as CardwrightError;
  }
}
