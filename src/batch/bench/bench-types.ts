import type { Code } from '../../contract/catalogue/index.ts';
import type { Disk } from '../../contract/devices.ts';
import type { MatchKind, StoredState } from '../../records/record-types.ts';

/** A record that may speak of a card, as far as the bench needs it. */
export interface KnownRecord {
  id: number;
  uuid: string;
  set: string | null;
  node: string | null;
  state: StoredState;
  code: Code | null;
  matchedBy: MatchKind;
}

/**
 * What the look at a card's content came to. `fresh`: blank, or as it comes from the shop; `unfinished`: a card of this
 * set whose job did not end; `unknown`: anything else, with the reasons.
 */
export interface CardContent {
  kind: 'fresh' | 'unfinished' | 'unknown';
  why: string[];
}

/** One card in a reader, looked at once. */
export interface CardSeen {
  /** the reader as it is typed, "usb:1-2" */
  reader: string;
  disk: Disk;
  /** its approval code at that moment */
  code: string;
  /** was it in the reader when the batch began? */
  wasThere: boolean;
  /** what our identity file on it says; null where there is none */
  says: { set: string; node: string; record: string } | null;
  /** newest first */
  records: KnownRecord[];
  content: CardContent;
}

/** What an approval holds for: this device at this port. */
export interface ApprovedReader {
  usbId: string | null;
  vendor: string | null;
  model: string | null;
  serial: string | null;
  sizeBytes: number;
}

/** A node of this batch as it stands. */
export interface BenchNode {
  name: string;
  slot: string | null;
  state: 'waiting' | 'taken' | 'done';
}
