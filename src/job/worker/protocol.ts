import type { CardState } from '../../contract/card-state.ts';
import type { Code } from '../../contract/catalogue/index.ts';
import type { JobEvent } from '../../contract/events.ts';
import type { Facts, Finding } from '../../contract/finding.ts';
import type { Phase } from '../../contract/job.ts';
import type { MediumFault } from '../../media/faulty-medium.ts';
import type { SessionCalls } from '../engine/session.ts';

/** Descriptors that a worker is born with, beside Node's own. Nothing else is ever opened. */
export const workerDescriptors = { script: 0, messages: 3, card: 4, image: 5, diskseq: 6, stat: 7 } as const;

/** The first message to a worker. */
export interface WorkerInit {
  type: 'init';
  card: { kind: 'device' | 'file'; sizeBytes: number; blockBytes: number };
  image: 'file' | 'pipe' | 'none';
  /** disk sequence number that the slot must keep; null for a make-believe card */
  diskseq: number | null;
  /** whether the kernel's counter of sectors read was handed over */
  counts: boolean;
  /** how a make-believe card misbehaves; refused for a real one */
  fault: MediumFault | null;
}

export type SessionCall = keyof SessionCalls;

/** What a person is told is going on while a call runs. */
export const phaseOfCall: Record<SessionCall, Phase> = {
  readCard: 'verify',
  lookAtFiles: 'verify',
  holdHead: 'verify',
  takeHeadOff: 'head-off',
  probe: 'probe',
  write: 'write',
  addSeed: 'personalize',
  digestImage: 'image',
  checkEdit: 'personalize',
  foreseeEdit: 'personalize',
  edit: 'personalize',
  verify: 'verify',
  explainMismatch: 'verify',
  checkFiles: 'verify',
  lookForHazards: 'verify',
  settleHead: 'verify',
  sealBody: 'seal',
  sealFirstBlock: 'seal',
  map: 'seal',
};

/** A worker is heard about this often. */
export const beatMs = 1000;
/** No completed I/O for this long is a stall, and said. */
export const stallMs = 5000;

export type ToWorker =
  | WorkerInit
  | { type: 'call'; id: number; call: SessionCall; order: unknown }
  | { type: 'stop' };

/** An error as it crosses the process border. */
export interface PlainError {
  code: Code;
  facts: Facts;
  card: CardState | null;
  findings: readonly Finding[];
}

export type FromWorker =
  /** loaded, limit lowered; what it could still open when it tried: nothing, or the run is refused */
  | { type: 'ready'; uid: number; canOpen: boolean; openFailure: string }
  | { type: 'event'; event: JobEvent }
  | { type: 'alive' }
  /** the card has completed nothing for so long, although something is on its way to it */
  | { type: 'stalled'; seconds: number }
  | { type: 'answer'; id: number; value: unknown }
  | { type: 'failed'; id: number; error: PlainError };
