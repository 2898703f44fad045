import { mibBytes } from '../../contract/job.ts';
import { allocateAligned } from '../../media/aligned-memory.ts';
import { type DigestThread, startDigestThread } from './digest-thread.ts';

/** Enough in flight to keep a card and a RAM-backed loop busy, little enough to stay small. */
export const laneCount = 8;

/** The ring: one page-aligned MiB a lane, and the threads that digest it in place. */
export interface PieceMemory {
  lane(index: number): Uint8Array;
  /** SHA-256 of the first `length` bytes of a lane */
  digest(lane: number, length: number): Promise<Uint8Array>;
  /** a second thread for a running digest of everything in order */
  stream(): Pick<DigestThread, 'finish'> & { update(lane: number, length: number): Promise<void> };
  /** resolves once both threads run */
  ready: Promise<void>;
  close(): Promise<void>;
}

export function createPieceMemory(): PieceMemory {
  const memory = allocateAligned(laneCount * mibBytes);
  const pieces = startDigestThread(memory);
  const whole = startDigestThread(memory);
  return {
    lane: (index) => memory.subarray(index * mibBytes, (index + 1) * mibBytes),
    digest: (lane, length) => pieces.digest(lane * mibBytes, length),
    stream: () => ({
      update: (lane, length) => whole.update(lane * mibBytes, length),
      finish: () => whole.finish(),
    }),
    ready: Promise.all([pieces.ready, whole.ready]).then(() => undefined),
    close: async () => {
      await Promise.all([pieces.close(), whole.close()]);
    },
  };
}
