/** Synchronous reading of bytes at a place: an image file, a card under its overlay, memory. */
export interface ByteSource {
  readonly sizeBytes: number;
  /** exactly `length` bytes from `offset`; throws a CardwrightError when they cannot be had */
  read(offset: number, length: number): Uint8Array;
}

/** A run of whole sectors to be written at an absolute byte offset of the card. */
export interface ChangedRange {
  offset: number;
  data: Uint8Array;
}
