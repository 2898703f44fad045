import * as fs from 'node:fs';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { ioError } from './io-error.ts';
import type { Medium } from './medium.ts';

/** The system calls a descriptor medium makes; a test passes its own to give short transfers or errors. */
export interface DescriptorCalls {
  read: typeof fs.read;
  write: typeof fs.write;
  fdatasync: typeof fs.fdatasync;
  readSync: typeof fs.readSync;
}

const mostPasses = 64;

type TransferCode = 'media.read-failed' | 'media.write-failed';

type Transfer = (
  fd: number,
  bytes: Uint8Array,
  from: number,
  length: number,
  position: number,
) => Promise<number>;

function promised(call: DescriptorCalls['read'] | DescriptorCalls['write']): Transfer {
  const start = call as (
    fd: number,
    bytes: Uint8Array,
    from: number,
    length: number,
    position: number,
    done: (error: NodeJS.ErrnoException | null, moved: number) => void,
  ) => void;
  return (fd, bytes, from, length, position) =>
    new Promise((resolve, reject) =>
      start(fd, bytes, from, length, position, (error, moved) => (error ? reject(error) : resolve(moved))),
    );
}

function isInterruption(error: unknown): boolean {
  const code = (error as NodeJS.ErrnoException).code;
  return code === 'EINTR' || code === 'EAGAIN';
}

interface DescriptorFacts {
  kind: 'device' | 'file';
  sizeBytes: number;
  blockBytes: number;
}

/** A medium over an open descriptor: a card's whole-disk node (opened with O_DIRECT) or a make-believe card's file. */
export function createDescriptorMedium(
  fd: number,
  facts: DescriptorFacts,
  calls: DescriptorCalls = fs,
): Medium {
  /** Bytes moved by one call; -1 where it was interrupted and may simply go on. */
  async function moveOnce(
    transfer: Transfer,
    code: TransferCode,
    bytes: Uint8Array,
    done: number,
    at: number,
  ) {
    try {
      return await transfer(fd, bytes, done, bytes.length - done, at);
    } catch (error) {
      if (isInterruption(error)) return -1;
      throw ioError(code, at, bytes.length - done, error);
    }
  }

  /** Short transfers and interruptions are continued, with a bound; no failed transfer is tried again. */
  async function moveAll(transfer: Transfer, code: TransferCode, bytes: Uint8Array, offset: number) {
    let done = 0;
    for (let pass = 0; done < bytes.length; pass++) {
      const moved = pass < mostPasses ? await moveOnce(transfer, code, bytes, done, offset + done) : 0;
      if (moved === 0) throw shortTransfer(code, bytes, offset, done);
      if (moved > 0) done += moved;
    }
  }

  const read = promised(calls.read);
  const write = promised(calls.write);
  return {
    ...facts,
    read: (target, offset) => moveAll(read, 'media.read-failed', target, offset),
    write: (source, offset) => moveAll(write, 'media.write-failed', source, offset),
    flush: () =>
      new Promise((resolve, reject) =>
        calls.fdatasync(fd, (error) =>
          error ? reject(ioError('media.flush-failed', 0, 0, error)) : resolve(),
        ),
      ),
    readNow(target, offset) {
      for (let done = 0, pass = 0; done < target.length; pass++) {
        if (pass === mostPasses) throw shortTransfer('media.read-failed', target, offset, done);
        let moved: number;
        try {
          moved = calls.readSync(fd, target, done, target.length - done, offset + done);
        } catch (error) {
          if (isInterruption(error)) continue;
          throw ioError('media.read-failed', offset + done, target.length - done, error);
        }
        if (moved === 0) throw shortTransfer('media.read-failed', target, offset, done);
        done += moved;
      }
    },
  };
}

function shortTransfer(code: TransferCode, bytes: Uint8Array, offset: number, done: number): CardwrightError {
  return new CardwrightError(code, {
    facts: { offset: offset + done, length: bytes.length - done, errno: 'short transfer' },
  });
}
