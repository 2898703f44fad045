import type { Disk } from '../../contract/devices.ts';
import type { GuardResult } from '../../contract/verdict.ts';

/** One disk as it is shown to the person who is to approve it. */
export interface ApprovalQuestion {
  disk: Disk;
  result: GuardResult;
  code: string;
  /** the volume's name that has to be typed as well, where the content looks like somebody's archive */
  volumeName: string | null;
  /** what the records say of this card; null where they know nothing */
  lastWritten: string | null;
  /** the volume that will be made at the card's far end; null where none is */
  seed: { startByte: number; sizeBytes: number } | null;
  /** false where files are only replaced on a card that was written before */
  losesAll: boolean;
}

/** Whoever can be asked: a person at a terminal, or the option that a script gave. */
export interface Approver {
  /** what was typed ("CODE" or "CODE:NAME"); null where nothing was */
  ask(question: ApprovalQuestion): Promise<string | null>;
}
