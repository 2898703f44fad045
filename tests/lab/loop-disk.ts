/**
 * A real block device for one test, over a file or over memory:
 *
 *   await withLoopDisk({ sizeBytes: 64 << 20, backing: 'tmpfs' }, async (disk) => {
 *     await writeTheCard(disk.node);
 *     expect(await disk.sha256OfMedium(0, imageBytes)).toBe(sha256OfImage);
 *   });
 *
 * The device is /dev/loopN with direct I/O on, both proven before the body runs; `readMedium` reads the backing file,
 * never the device. It starts filled like a used card (see `Content`). All is taken back afterwards, even when this
 * process is killed (ledger.ts). Needs root and the loop driver; `tmpfs` needs a kernel with direct I/O there (6.6).
 */
import { withCleanup } from './cleanup.ts';
import { attachLoop, detachLoop, type Loop } from './loop-attach.ts';
import { type Content, type Medium, makeMedium } from './medium.ts';

export interface LoopDiskOptions {
  /** a whole number of sectors */
  sizeBytes: number;
  backing: 'tmpfs' | 'file';
  /** logical block size; 512 unless given */
  sectorBytes?: 512 | 4096;
  readOnly?: boolean;
  /** what the card holds beforehand; `old` unless given */
  content?: Content;
}

export interface LoopDisk {
  /** "/dev/loop3" */
  readonly node: string;
  /** "loop3" */
  readonly name: string;
  /** "7:3" */
  readonly majorMinor: string;
  readonly sizeBytes: number;
  readonly backingPath: string;
  /** exactly `length` bytes from the backing file */
  readMedium(offset: number, length: number): Promise<Buffer>;
  /** hex; the whole medium unless told otherwise */
  sha256OfMedium(offset?: number, length?: number): Promise<string>;
  /**
   * Another card into the same node: detaches, and attaches a new medium of `sizeBytes` (the same unless given) under
   * the same name, so that `diskseq` moves on. Throws, naming the holders, while anybody has the node open.
   */
  changeCard(options?: { sizeBytes?: number; content?: Content }): Promise<void>;
}

/** Runs `body` with a loop disk of its own; gives what `body` gives. */
export async function withLoopDisk<T>(
  options: LoopDiskOptions,
  body: (disk: LoopDisk) => Promise<T>,
): Promise<T> {
  const { sizeBytes, backing, sectorBytes = 512, readOnly, content = 'old' } = options;
  if (sizeBytes % sectorBytes !== 0) throw new Error(`lab: ${sizeBytes} is no whole number of sectors`);
  return withCleanup(async (cleanup) => {
    const newMedium = (card: { sizeBytes: number; content: Content }) =>
      makeMedium(cleanup, { backing, ...card });
    const putIn = async (medium: Medium, name?: string) => {
      let loop: Loop | null = null;
      cleanup.add({ kind: 'loop', backingPath: medium.path }, async () => {
        if (loop !== null) await detachLoop(loop);
      });
      loop = await attachLoop(medium.path, { sectorBytes, readOnly, name });
      return { medium, loop };
    };
    let current = await putIn(await newMedium({ sizeBytes, content }));
    return body({
      node: current.loop.node,
      name: current.loop.name,
      majorMinor: current.loop.majorMinor,
      get sizeBytes() {
        return current.medium.sizeBytes;
      },
      get backingPath() {
        return current.medium.path;
      },
      readMedium: (offset, length) => current.medium.read(offset, length),
      sha256OfMedium: (offset, length) => current.medium.sha256(offset, length),
      async changeCard(card = {}) {
        const next = await newMedium({ sizeBytes: current.medium.sizeBytes, content: 'old', ...card });
        await detachLoop(current.loop);
        current = await putIn(next, current.loop.name);
      },
    });
  });
}
