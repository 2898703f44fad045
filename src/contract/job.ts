import type { CardState } from './card-state.ts';
import type { CardIdentity } from './devices.ts';
import type { Finding } from './finding.ts';

/** The phases of one card's way, in their order. */
export const phases = [
  'enumerate',
  'image',
  'approve',
  'claim',
  'hand-over',
  'head-off',
  'probe',
  'write',
  'personalize',
  'verify',
  'seal',
  'release',
] as const;

export type Phase = (typeof phases)[number];

/** Size of the pieces of the digest map, and of the head that is held back. */
export const mibBytes = 2 ** 20;

/**
 * SHA-256 of every MiB of the card from its start, as it left us; the last piece may be shorter. `digests` holds
 * 32 bytes for each piece. A piece whose digest is all zeros is not covered: nothing was written there, as between an
 * image and a seed volume at the card's far end.
 */
export interface DigestMap {
  sizeBytes: number;
  digests: Uint8Array;
}

/** Where the partitions lie on the card, as far as naming a damaged place needs it. */
export type ImageLayout = readonly { number: number; startByte: number; sizeBytes: number }[];

export interface DamagedRange {
  /** first byte that differs, to the logical block */
  offset: number;
  length: number;
  /** partition number it lies in, 0 outside all */
  partition: number;
}

/** How a mismatch behaves when it is read again. It classifies, it never passes. */
export type DamageKind =
  | 'stable-damage'
  | 'unstable-reads'
  | 'dropped-writes'
  | 'wrapped-capacity'
  | 'forgotten-capacity'
  | 'stale-data';

export interface PhaseTime {
  phase: Phase;
  elapsedMs: number;
  bytes: number;
}

export interface JobResult {
  recordId: number | null;
  card: CardState;
  identity: CardIdentity;
  findings: Finding[];
  times: PhaseTime[];
  bytesReadBack: number;
  /** sectors (512 bytes) the kernel says were read from the device while verifying; null where it does not count */
  sectorsRead: number | null;
}
