/**
 * The worker process of one job: it has the card and the image as descriptors, runs as a user of its own, and can
 * open nothing. A crash of it leaves the card as the engine's procedures say; its supervisor holds the claim.
 */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import fatWasm from 'js-fatfs/dist/fatfs.wasm';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { createDescriptorMedium } from '../../media/descriptor-medium.ts';
import { createFaultyMedium } from '../../media/faulty-medium.ts';
import { createSectorCounter } from '../../media/sector-counter.ts';
import { noWatch, watchDiskseq } from '../../media/slot-watch.ts';
import { watchMedium } from '../../media/watched-medium.ts';
import { loadFat } from '../../volume/fat/load-fat.ts';
import { feedFromFile, feedFromPipe, readImagePiece } from '../engine/image-feed.ts';
import { createPieceMemory, type PieceMemory } from '../engine/piece-memory.ts';
import { createSession, type Session } from '../engine/session.ts';
import { closeInherited } from './close-inherited.ts';
import {
  type FromWorker,
  workerDescriptors as fds,
  type PlainError,
  type SessionCall,
  type ToWorker,
  type WorkerInit,
} from './protocol.ts';
import { startPulse } from './pulse.ts';

function tell(message: FromWorker): void {
  process.send?.(message);
}

function plainError(error: unknown): PlainError {
  if (error instanceof CardwrightError) {
    return { code: error.code, facts: error.facts, card: error.card, findings: error.findings };
  }
  const text = error instanceof Error ? (error.stack ?? error.message) : String(error);
  return { code: 'job.worker-failed', facts: { text }, card: null, findings: [] };
}

/** From here on this process has no number left for another descriptor: opening anything gives EMFILE. */
function lowerLimit(): void {
  execFileSync('prlimit', ['--pid', String(process.pid), '--nofile=0:0']);
}

/** Tries the door before saying that it is shut. */
function tryToOpen(): string {
  try {
    fs.closeSync(fs.openSync('/', 'r'));
    return '';
  } catch (error) {
    return (error as NodeJS.ErrnoException).code ?? 'unknown error';
  }
}

function begin(init: WorkerInit, memory: PieceMemory): Session {
  if (init.fault && init.card.kind !== 'file') throw new Error('a fault is for make-believe cards only');
  const watch = init.diskseq === null ? noWatch : watchDiskseq(fds.diskseq, init.diskseq);
  const plain = startPulse(tell).count(createDescriptorMedium(fds.card, init.card));
  const medium = watchMedium(init.fault ? createFaultyMedium(plain, init.fault) : plain, watch);
  const feeds = { file: feedFromFile, pipe: feedFromPipe, none: () => null };
  return createSession({
    medium,
    feed: feeds[init.image](fds.image),
    expectedPiece: init.image === 'file' ? readImagePiece(fds.image) : null,
    sectorsRead: init.counts ? createSectorCounter(fds.stat) : () => null,
    memory,
    port: { emit: (event) => tell({ type: 'event', event }) },
  });
}

async function answer(session: Session, id: number, call: SessionCall, order: unknown): Promise<void> {
  try {
    tell({ type: 'answer', id, value: await session.call(call, order) });
  } catch (error) {
    tell({ type: 'failed', id, error: plainError(error) });
  }
}

async function main(): Promise<void> {
  closeInherited();
  const memory = createPieceMemory();
  let session: Session | null = null;
  process.on('message', (message: ToWorker) => {
    if (message.type === 'init') session = begin(message, memory);
    else if (message.type === 'stop') session?.stop();
    else if (session) void answer(session, message.id, message.call, message.order);
  });
  process.on('disconnect', () => process.exit(1));
  // Everything that needs a descriptor comes before the limit: code, threads, the file-system library.
  await loadFat(fatWasm);
  await memory.ready;
  lowerLimit();
  const openFailure = tryToOpen();
  tell({ type: 'ready', uid: process.getuid?.() ?? -1, canOpen: openFailure === '', openFailure });
}

void main();
