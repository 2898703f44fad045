/**
 * An opened card, or its twin in a file or in memory. Offsets and lengths are bytes and multiples of `blockBytes`;
 * buffers come from `allocateAligned`, since direct I/O takes page-aligned memory only. Every method either moves
 * all of its bytes or throws a CardwrightError with code `media.*` that names the offset and the error number.
 */
export interface Medium {
  readonly kind: 'device' | 'file' | 'memory';
  readonly sizeBytes: number;
  /** the disk's logical block: the unit of every transfer */
  readonly blockBytes: number;
  read(target: Uint8Array, offset: number): Promise<void>;
  write(source: Uint8Array, offset: number): Promise<void>;
  /** returns when the device says that what was written is durable */
  flush(): Promise<void>;
  /** like `read`, but waits: for libraries whose callbacks are synchronous */
  readNow(target: Uint8Array, offset: number): void;
}
