import fs from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { type DecodeEnd, type Decoder, startDecoder } from './decode-image.ts';
import { makePipe } from './make-pipe.ts';
import { type ImageSource, openSource } from './open-source.ts';

export interface ImageStreamOptions {
  /** true: `packedSha256` gives the digest of the packed bytes that were really read */
  hashPacked: boolean;
  /** the user and group the decoder runs as */
  uid?: number;
  gid?: number;
}

/** An image on its way into another process. */
export interface ImageStream {
  /** `file`: a raw image, at its beginning; `pipe`: the unpacked bytes, to be read to their end */
  kind: 'file' | 'pipe';
  /** goes into the `stdio` of `spawn`; then `release()` gives up this process's own copy */
  fd: number;
  /** whether all that came out may be used; for a raw image true at once. Never rejects. */
  done: Promise<DecodeEnd>;
  /** SHA-256 (hex) of the packed file; null where not asked for, or after a failure */
  packedSha256: Promise<string | null>;
  /** throws `image.changed` when the file was written to since it was opened */
  assertUnchanged(): void;
  /** closes our copy of `fd`; to be called once the worker has been spawned, else the pipe has no end */
  release(): void;
  /** ends the decoder if it still runs and closes everything; may be called at any time, more than once */
  close(): Promise<void>;
}

/** Calls `close` the first time only. */
function once(close: () => void): () => void {
  let isDone = false;
  return () => {
    if (isDone) return;
    isDone = true;
    close();
  };
}

function assertSameFile(source: ImageSource, facts: ImageFacts): void {
  const isSame =
    facts.fileStamp === undefined ? source.sizeBytes === facts.packedBytes : facts.fileStamp === source.stamp;
  if (!isSame) throw new CardwrightError('image.changed', { facts: { path: facts.path } });
}

function plainFile(source: ImageSource): ImageStream {
  const close = once(() => source.close());
  return {
    kind: 'file',
    fd: source.fd,
    done: Promise.resolve({ ok: true }),
    packedSha256: Promise.resolve(null),
    assertUnchanged: () => source.assertUnchanged(),
    // the descriptor is still needed to see whether the file changes
    release: () => undefined,
    close: async () => close(),
  };
}

async function throughDecoder(
  source: ImageSource,
  facts: ImageFacts,
  options: ImageStreamOptions,
): Promise<ImageStream> {
  const pipe = await makePipe();
  let decoder: Decoder;
  try {
    decoder = await startDecoder(facts.container, {
      path: facts.path,
      inputFd: source.fd,
      packedBytes: source.sizeBytes,
      outputFd: pipe.writeFd,
      hashPacked: options.hashPacked,
      ...(options.uid === undefined ? {} : { uid: options.uid }),
      ...(options.gid === undefined ? {} : { gid: options.gid }),
    });
  } catch (error) {
    fs.closeSync(pipe.readFd);
    throw error;
  } finally {
    fs.closeSync(pipe.writeFd);
  }
  const release = once(() => fs.closeSync(pipe.readFd));
  const closeSource = once(() => source.close());
  return {
    kind: 'pipe',
    fd: pipe.readFd,
    done: decoder.done,
    packedSha256: decoder.packedSha256,
    assertUnchanged: () => source.assertUnchanged(),
    release,
    close: async () => {
      release();
      decoder.stop();
      await decoder.done;
      closeSource();
    },
  };
}

/**
 * Opens an image for a worker: a raw one as its own descriptor, a packed one (or a raw one whose bytes are to be
 * digested on their way) as the reading end of a pipe that a decoder fills.
 *
 * Sizes and checks hold for the bytes that pass here, whatever the file was when it was looked at.
 * @throws CardwrightError image.unreadable, image.not-a-regular-file, image.changed, image.decoder-missing
 */
export async function openImageStream(facts: ImageFacts, options: ImageStreamOptions): Promise<ImageStream> {
  const source = openSource(facts.path);
  try {
    assertSameFile(source, facts);
    if (facts.container === 'raw' && !options.hashPacked) return plainFile(source);
    return await throughDecoder(source, facts, options);
  } catch (error) {
    source.close();
    throw error;
  }
}
