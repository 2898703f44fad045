import * as fs from 'node:fs';
import { Socket } from 'node:net';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { mibBytes } from '../../contract/job.ts';

/** Where the image's bytes come from, in order. */
export interface ImageFeed {
  /** fills the whole target, or less only at the end of the image; gives the bytes filled */
  fill(target: Uint8Array): Promise<number>;
  close(): void;
}

/** A raw image: a plain file, read at positions. */
export function feedFromFile(fd: number): ImageFeed {
  let position = 0;
  const readOnce = (target: Uint8Array, from: number) =>
    new Promise<number>((resolve, reject) =>
      fs.read(fd, target, from, target.length - from, position, (error, got) =>
        error ? reject(error) : resolve(got),
      ),
    );
  return {
    async fill(target) {
      let filled = 0;
      while (filled < target.length) {
        let got: number;
        try {
          got = await readOnce(target, filled);
        } catch (cause) {
          const errno = (cause as NodeJS.ErrnoException).code ?? 'unknown error';
          throw new CardwrightError('job.image-unreadable', { facts: { offset: position, errno }, cause });
        }
        if (got === 0) break;
        filled += got;
        position += got;
      }
      return filled;
    },
    close: () => undefined,
  };
}

/**
 * A decoder's pipe, read as a stream, so that a slow decoder keeps no thread waiting; only as much is taken as fits the
 * target.
 */
export function feedFromPipe(fd: number): ImageFeed {
  const pipe = new Socket({ fd, readable: true, writable: false });
  pipe.pause();
  let rest: Uint8Array = new Uint8Array();
  const chunks = pipe[Symbol.asyncIterator]();
  let ended = false;

  async function nextChunk(): Promise<void> {
    const { value, done } = await chunks.next();
    if (done) ended = true;
    else rest = value as Uint8Array;
  }

  return {
    async fill(target) {
      let filled = 0;
      while (filled < target.length) {
        if (rest.length === 0 && !ended) await nextChunk();
        if (rest.length === 0 && ended) break;
        const take = rest.subarray(0, target.length - filled);
        target.set(take, filled);
        filled += take.length;
        rest = rest.subarray(take.length);
      }
      return filled;
    },
    close: () => void pipe.destroy(),
  };
}

/** Reads a piece of a raw image again, short only at its end; for saying which bytes of a damaged piece differ. */
export function readImagePiece(fd: number): (piece: number, length: number) => Promise<Uint8Array> {
  return (piece, length) =>
    new Promise((resolve, reject) => {
      const target = new Uint8Array(length);
      fs.read(fd, target, 0, length, piece * mibBytes, (error) => (error ? reject(error) : resolve(target)));
    });
}
