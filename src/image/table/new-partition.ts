import type { Place } from './far-end.ts';

/** A partition that is to be entered. */
export interface NewPartition extends Place {
  /** type byte in an MBR */
  mbrType: number;
  /** type GUID in a GPT, as text */
  gptType: string;
  /** name in a GPT */
  name: string;
  /** sixteen bytes that no other partition has (RFC 9562, version 4) */
  uniqueGuid: Uint8Array;
}
