const pageBytes = 65_536;

/** The part of the global that Node has and its type package does not describe. */
declare const WebAssembly: {
  Memory: new (pages: { initial: number; maximum: number; shared: true }) => { buffer: SharedArrayBuffer };
};

/**
 * Page-aligned memory that threads can share and direct I/O accepts: a plain Buffer is not aligned and gives
 * EINVAL. The length is rounded up to whole WebAssembly pages (64 KiB); the memory is zeroed and never moves.
 */
export function allocateAligned(lengthBytes: number): Uint8Array {
  const pages = Math.max(1, Math.ceil(lengthBytes / pageBytes));
  const memory = new WebAssembly.Memory({ initial: pages, maximum: pages, shared: true });
  return new Uint8Array(memory.buffer, 0, lengthBytes);
}
