import type { CardwrightError } from '../../contract/cardwright-error.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import type { JobEvent } from '../../contract/events.ts';
import type { Finding } from '../../contract/finding.ts';
import type { ApprovalQuestion } from '../../job/station/approval-port.ts';

/** A node with its place, as every event names it. */
export interface NodePlace {
  node: string;
  slot: string | null;
}

/** What a batch tells while it runs. Fields are only ever added. */
export type BenchEvent =
  | ({ type: 'next' } & NodePlace)
  | ({ type: 'card-seen'; reader: string; says: Finding[] } & Partial<NodePlace>)
  | ({ type: 'job-begun'; reader: string; record: number; card: CardIdentity } & NodePlace)
  | ({ type: 'job'; reader: string; event: JobEvent } & NodePlace)
  | ({ type: 'card-done'; reader: string; row: BenchRow; release: 'ejected' | 'take it out' } & NodePlace)
  | ({
      type: 'card-not-done';
      reader: string;
      error: CardwrightError;
      row: BenchRow | null;
    } & NodePlace)
  | { type: 'taken-out'; reader: string };

/** How the last card of a node ended: one line of the summary. */
export interface BenchRow extends NodePlace {
  reader: string;
  cardBytes: number;
  result: 'done' | 'not done';
  /** null for "done" */
  code: string | null;
  elapsedMs: number;
  /** of writing; null where nothing was written */
  bytesPerSecond: number | null;
  record: number;
}

/** Whoever stands at the bench: is told, and asked. */
export interface BenchPort {
  tell(event: BenchEvent): void;
  /** is there somebody who can be asked? */
  readonly canAsk: boolean;
  /**
   * Asks for the code of one card; null where nothing was typed, or the card went meanwhile (`gone` aborts).
   * `confirmed` is what a script gave for this reader.
   */
  ask(question: ApprovalQuestion, reader: string, gone: AbortSignal): Promise<string | null>;
}
