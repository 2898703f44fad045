/**
 * The ways in which a lab card misbehaves. Offsets are the device's; everything else works as on a healthy card.
 * Several faults may be given at once; at most one of them may be about the real size.
 *
 * "Request" means a request at the medium. Between a program and the medium stand the loop driver and FUSE. Seen here
 * (Linux 6.18, nbdfuse 1.14): a direct read or write of up to 1 MiB arrives as one request; a longer one is split into
 * pieces of at most 1 MiB that arrive in any order; an fsync of the node is one flush; attaching the loop is one flush.
 * Kernels with other limits split smaller, so count bytes, and let "the n-th request" run over all n until none fails.
 */
export type Fault =
  /** the n-th request (from 1, counted since the fault was set) of this kind gives EIO; a failed write stores nothing */
  | { kind: 'fail-request'; op: 'read' | 'write' | 'flush'; nth: number; times: 'once' | 'always' }
  /** every request that touches the range gives EIO */
  | { kind: 'fail-at'; op: 'read' | 'write'; offset: number; lengthBytes: number }
  /** smaller than it says: addresses wrap around */
  | { kind: 'wrap'; realBytes: number }
  /** smaller than it says: takes writes past its real size and forgets them, reads zeros there */
  | { kind: 'forget'; realBytes: number }
  /** smaller than it says: every sector past its real size is its last real one, for reading and for writing */
  | { kind: 'repeat-last-block'; realBytes: number }
  /** what is written to the range is lost: zeros stand there afterwards */
  | { kind: 'drop'; offset: number; lengthBytes: number }
  /** what is written to the range is lost: it keeps what it held before */
  | { kind: 'stale'; offset: number; lengthBytes: number }
  /** one bit (0-7) of the byte at `offset` comes out wrong whenever it is written */
  | { kind: 'flip'; offset: number; bit: number }
  /** one bit of the byte at `offset` is wrong in every n-th read of it; what is stored is right */
  | { kind: 'unstable'; offset: number; bit: number; everyNth: number }
  /** one request waits, all others behind it; `setFaults` ends the wait early */
  | ({ kind: 'stall'; forMs: number } & Moment)
  /** once so much was written, writing goes on at this pace */
  | { kind: 'cliff'; afterBytes: number; bytesPerSecond: number }
  /**
   * gone for good, in the middle of a request: a write is stored up to `offset`, or by half, and no answer comes.
   * The node stays and gives errors (EIO or EINVAL); a node that goes away needs the guest. `losing`: the power goes
   * with it, and of the writes that no flush has confirmed each is kept or lost by a coin.
   */
  | ({ kind: 'vanish'; losing?: 'unflushed'; seed?: number } & Moment);

/** The n-th request of a kind since the fault was set, or the first that touches the byte at `offset`. */
type Moment = { op: 'read' | 'write' | 'flush'; nth: number } | { op: 'read' | 'write'; offset: number };

export interface Pace {
  readBytesPerSecond?: number;
  writeBytesPerSecond?: number;
}

/** A usual card's pace, for progress and time left: 20 MB/s writing, 90 MB/s reading. Common practice, no source. */
export const cardPace: Pace = { writeBytesPerSecond: 20_000_000, readBytesPerSecond: 90_000_000 };

/**
 * A reproducible place for a fault: the same seed gives the same offset, a multiple of `alignBytes` below
 * `belowBytes`. For sweeps over many places; print the seed with the failure.
 */
export function seededOffset(seed: number, belowBytes: number, alignBytes = 512): number {
  // Steele, Lea, Flood, "Fast splittable pseudorandom number generators" (2014): the mixing function, 32 bits; from memory.
  let mixed = (seed + 0x9e3779b9) | 0;
  mixed = Math.imul(mixed ^ (mixed >>> 16), 0x85ebca6b);
  mixed = Math.imul(mixed ^ (mixed >>> 13), 0xc2b2ae35);
  mixed = (mixed ^ (mixed >>> 16)) >>> 0;
  return Math.floor((mixed / 2 ** 32) * Math.floor(belowBytes / alignBytes)) * alignBytes;
}
