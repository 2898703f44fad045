import type { CardInReader } from '../supervisor/card-in-reader.ts';

const lookEveryMs = 500;

/**
 * Keeps the claim until the card is gone from its reader, so that nothing opens a finished card before it is taken
 * out; then lets go. An abort lets go at once.
 */
export async function holdUntilGone(card: CardInReader, signal: AbortSignal): Promise<void> {
  try {
    while (!signal.aborted && (await card.recheck()).length === 0) {
      await new Promise((resolve) => setTimeout(resolve, lookEveryMs));
    }
  } finally {
    card.close();
  }
}
