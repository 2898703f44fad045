/**
 * Direct I/O from node, independent of the code under test: what these functions read came from the device, not
 * from the page cache. open(2) "O_DIRECT" asks for aligned memory, offsets and lengths; memory of a
 * `WebAssembly.Memory` is page-aligned, that of a Buffer is not (EINVAL).
 */
import { constants } from 'node:fs';
import { open } from 'node:fs/promises';

// The types of node 20 declare the namespace without its constructors.
declare const WebAssembly: { Memory: new (pages: { initial: number }) => { buffer: ArrayBuffer } };

const wasmPageBytes = 65_536;

/** A zeroed buffer of `lengthBytes` whose memory starts on a page boundary. */
export function pageAlignedBuffer(lengthBytes: number): Buffer {
  const memory = new WebAssembly.Memory({ initial: Math.max(1, Math.ceil(lengthBytes / wasmPageBytes)) });
  return Buffer.from(memory.buffer, 0, lengthBytes);
}

/**
 * Writes `data` (whole logical blocks) at `offset` with O_DIRECT and, unless `flush` is false, fsyncs.
 * Throws what write(2) or fsync(2) gave: EIO, EINVAL (not aligned), ENXIO, …
 */
export async function writeDirect(
  node: string,
  offset: number,
  data: Uint8Array,
  { requestBytes = 1 << 20, flush = true } = {},
): Promise<void> {
  const handle = await open(node, constants.O_WRONLY | constants.O_DIRECT);
  try {
    const buffer = pageAlignedBuffer(Math.min(requestBytes, data.length));
    for (let done = 0; done < data.length; ) {
      const part = data.subarray(done, done + requestBytes);
      buffer.set(part);
      const { bytesWritten } = await handle.write(buffer, 0, part.length, offset + done);
      if (bytesWritten === 0) throw new Error(`lab: ${node} took nothing at ${offset + done}`);
      done += bytesWritten;
    }
    if (flush) await handle.sync();
  } finally {
    await handle.close();
  }
}

/** Reads `length` bytes (whole logical blocks) at `offset` with O_DIRECT, into memory filled with 0xA5 first. */
export async function readDirect(
  node: string,
  offset: number,
  length: number,
  { requestBytes = 1 << 20 } = {},
): Promise<Buffer> {
  const handle = await open(node, constants.O_RDONLY | constants.O_DIRECT);
  try {
    const all = Buffer.alloc(length, 0xa5);
    const buffer = pageAlignedBuffer(Math.min(requestBytes, length));
    for (let done = 0; done < length; ) {
      const wanted = Math.min(requestBytes, length - done);
      const { bytesRead } = await handle.read(buffer, 0, wanted, offset + done);
      if (bytesRead === 0) throw new Error(`lab: ${node} ends at ${offset + done}`);
      buffer.copy(all, done, 0, bytesRead);
      done += bytesRead;
    }
    return all;
  } finally {
    await handle.close();
  }
}
