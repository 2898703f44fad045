import type { EventPort } from '../../contract/events.ts';
import type { CardInReader } from './card-in-reader.ts';
import type { ImageInHand } from './image-in-hand.ts';
import { type RunningWorker, startWorker } from './start-worker.ts';
import type { WorkerUser } from './worker-user.ts';

/** Gives a claimed card, and an image where there is one, to a worker of their own. */
export async function handOver(
  card: CardInReader,
  image: ImageInHand | null,
  user: WorkerUser | null,
  port: EventPort,
  signal: AbortSignal = new AbortController().signal,
): Promise<RunningWorker> {
  const { kind, blockBytes, fault, counts, identity } = card;
  const worker = await startWorker({
    cardFd: card.fd,
    image: image?.stream ?? { kind: 'none' },
    diskseqFd: card.diskseqFd,
    statFd: card.statFd,
    user,
    port,
    signal,
    init: {
      card: { kind, sizeBytes: identity.sizeBytes, blockBytes },
      diskseq: card.diskseqFd === null ? null : identity.diskseq,
      counts: counts && card.statFd !== null,
      fault,
    },
  });
  // The worker holds the pipe's end now; ours would keep it from ending.
  image?.stream.release();
  return worker;
}
