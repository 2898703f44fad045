import type { ByteSource } from '../contract/blocks.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { ContainerFacts } from './container/container-facts.ts';
import { startDecoder } from './container/decode-image.ts';
import type { ImageSource } from './container/open-source.ts';
import { examineLayout, type Layout } from './examine-layout.ts';
import { refuseAllZero, refuseStranger, strangerHeadBytes, strangerTailBytes } from './name-stranger.ts';
import { readPosition } from './read-position.ts';
import { SparseSpool } from './sparse-spool.ts';
import { StreamWindow } from './stream-window.ts';
import { NotYetRead } from './table/not-yet-read.ts';

export interface InspectProgress {
  unpackedBytes: number;
  /** of the packed file, how far the decoder has read */
  packedBytesRead: number;
  packedBytes: number;
}

export interface DecodePassOptions {
  /** false: stop as soon as everything wanted was seen; only where the size is known beforehand */
  isFull: boolean;
  /** where to keep the unpacked image; null: nowhere */
  spoolFolder: string | null;
  onProgress?: ((progress: InspectProgress) => void) | undefined;
  signal?: AbortSignal | undefined;
  uid?: number | undefined;
  gid?: number | undefined;
}

export interface DecodePass {
  layout: Layout;
  /** bytes that came out; null where decoding was stopped early */
  decodedBytes: number | null;
  /** the unpacked image; null where it was not kept */
  content: ByteSource | null;
  /** why it was not kept */
  notKept: string | null;
  close(): void;
}

/** Looks at what has come so far; null where more has to come first. */
function lookAt(window: StreamWindow, isFull: boolean, isPromised: boolean): Layout | null {
  try {
    return examineLayout(window, { withBackup: isFull, isWhole: isPromised });
  } catch (error) {
    if (error instanceof NotYetRead) return null;
    throw error;
  }
}

function refuseByContent(
  source: ImageSource,
  facts: ContainerFacts,
  window: StreamWindow,
  isEnd: boolean,
): void {
  const size = isEnd ? window.sizeBytes : strangerHeadBytes;
  const tailBytes = Math.min(strangerTailBytes, size);
  refuseStranger({
    path: source.path,
    head: window.read(0, Math.min(strangerHeadBytes, size)),
    tail: isEnd ? window.read(size - tailBytes, tailBytes) : null,
    container: facts.container,
  });
}

/** The state of one pass: window, spool and what was found so far. */
class Pass {
  readonly window: StreamWindow;
  readonly spool: SparseSpool | null;
  layout: Layout | null = null;
  #isHeadSeen = false;
  readonly #source: ImageSource;
  readonly #facts: ContainerFacts;
  readonly #options: DecodePassOptions;

  constructor(source: ImageSource, facts: ContainerFacts, options: DecodePassOptions) {
    this.#source = source;
    this.#facts = facts;
    this.#options = options;
    this.window = new StreamWindow(facts.sizeBytes);
    this.spool = options.spoolFolder === null ? null : new SparseSpool(options.spoolFolder);
  }

  /** @returns true where nothing more is needed of the stream */
  take(chunk: Uint8Array): boolean {
    this.window.push(chunk);
    this.spool?.append(chunk);
    this.#tell();
    if (this.window.takeNews()) {
      // the head is the first that comes
      if (!this.#isHeadSeen) refuseByContent(this.#source, this.#facts, this.window, false);
      this.#isHeadSeen = true;
      this.layout ??= lookAt(this.window, this.#options.isFull, this.#facts.sizeBytes !== null);
    }
    return this.layout !== null && !this.#options.isFull && this.window.hasSeenData;
  }

  /** The stream has ended, and well. */
  finish(): void {
    const { path } = this.#source;
    this.window.end();
    const foundBytes = this.window.sizeBytes;
    const promisedBytes = this.#facts.sizeBytes;
    if (foundBytes === 0) throw new CardwrightError('image.empty', { facts: { path } });
    if (promisedBytes !== null && promisedBytes !== foundBytes) {
      const facts = { container: this.#facts.container, promisedBytes, foundBytes };
      throw new CardwrightError('image.size-differs', { facts });
    }
    refuseByContent(this.#source, this.#facts, this.window, true);
    if (!this.window.hasSeenData) refuseAllZero(path, this.#facts.container);
    this.layout = examineLayout(this.window, { withBackup: true, isWhole: true });
  }

  #tell(): void {
    this.#options.onProgress?.({
      unpackedBytes: this.window.position,
      packedBytesRead: readPosition(this.#source.fd),
      packedBytes: this.#source.sizeBytes,
    });
  }
}

/** Runs the decoder through the pass; true where it came to its end. */
async function runPass(
  pass: Pass,
  source: ImageSource,
  facts: ContainerFacts,
  { signal, uid, gid }: DecodePassOptions,
): Promise<boolean> {
  if (signal?.aborted) throw new CardwrightError('image.decoding-stopped');
  const decoder = await startDecoder(facts.container, {
    path: source.path,
    inputFd: source.fd,
    packedBytes: source.sizeBytes,
    ...(uid === undefined ? {} : { uid }),
    ...(gid === undefined ? {} : { gid }),
  });
  const stop = () => decoder.stop();
  signal?.addEventListener('abort', stop, { once: true });
  try {
    for await (const chunk of decoder.stdout ?? []) {
      if (pass.take(chunk as Uint8Array)) return false;
    }
    const end = await decoder.done;
    if (end instanceof CardwrightError) throw end;
    return true;
  } catch (error) {
    if (error instanceof CardwrightError) throw error;
    // the stream broke: why, the decoder's own end tells better
    const end = await decoder.done;
    throw end instanceof CardwrightError ? end : error;
  } finally {
    signal?.removeEventListener('abort', stop);
    decoder.stop();
    await decoder.done;
  }
}

/**
 * Unpacks an image once, from the descriptor that is open, and keeps of it only what is needed to know it; memory
 * does not grow with the image.
 * @throws CardwrightError image.empty, image.size-differs, image.not-an-image, image.nested-container, and what a
 * decoder's bad end gives (`judgeDecoderEnd`)
 */
export async function decodePass(
  source: ImageSource,
  facts: ContainerFacts,
  options: DecodePassOptions,
): Promise<DecodePass> {
  const pass = new Pass(source, facts, options);
  try {
    const isEnded = await runPass(pass, source, facts, options);
    if (isEnded) pass.finish();
    if (!pass.layout) throw new CardwrightError('image.decoding-stopped');
    return {
      layout: pass.layout,
      decodedBytes: isEnded ? pass.window.sizeBytes : null,
      content: isEnded ? (pass.spool?.finish() ?? null) : null,
      notKept: pass.spool ? pass.spool.failure : null,
      close: () => pass.spool?.close(),
    };
  } catch (error) {
    pass.spool?.close();
    throw error;
  }
}
