import * as fs from 'node:fs';

/**
 * Reads the kernel's count of sectors (always 512 bytes) read from a block device: field 3 of its sysfs `stat`
 * (Linux Documentation/ABI/stable/sysfs-block). Re-reading through the page cache does not move it, direct reading
 * does, so it is evidence that a verification left the memory. With `queue/iostats` at 0 it stands still.
 */
export function createSectorCounter(fd: number, readSync: typeof fs.readSync = fs.readSync): () => number {
  const buffer = Buffer.alloc(512);
  return () => {
    const text = buffer.toString('latin1', 0, readSync(fd, buffer, 0, buffer.length, 0));
    return parseSectorsRead(text);
  };
}

export function parseSectorsRead(stat: string): number {
  return Number(stat.trim().split(/\s+/)[2] ?? Number.NaN);
}
