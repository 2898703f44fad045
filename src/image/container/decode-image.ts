import { type ChildProcess, spawn } from 'node:child_process';
import type { Readable } from 'node:stream';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ContainerKind } from '../../contract/image.ts';
import { decoderCommand, wrappedCommand } from './decoder-command.ts';
import { judgeDecoderEnd, startError } from './decoder-end.ts';
import { type FeedRange, feedDecoder, memberRange, wholeFile } from './feed-decoder.ts';
import { readExactly } from './open-source.ts';
import { readXz } from './xz.ts';
import { readZip } from './zip.ts';
import { readZstd } from './zstd.ts';

/** A good end, or the reason why the bytes that came out must not be used. Never rejects. */
export type DecodeEnd = { readonly ok: true } | CardwrightError;

export interface DecoderOptions {
  /** shown in messages */
  path: string;
  /** the packed file, opened for reading and at its beginning; it stays the caller's */
  inputFd: number;
  packedBytes: number;
  /** null: the unpacked bytes come as `stdout`; else they go straight into this descriptor */
  outputFd?: number | null;
  /** true: the packed bytes pass through this process and are digested on their way */
  hashPacked?: boolean;
  /** the user and group the decoder runs as; no other groups then */
  uid?: number;
  gid?: number;
  /** folders to look for programs in, as PATH has them */
  searchPath?: string;
}

export interface Decoder {
  pid: number | null;
  /** the unpacked image; null where it goes to `outputFd` */
  stdout: Readable | null;
  done: Promise<DecodeEnd>;
  /** SHA-256 (hex) of the packed bytes that were really read; null where not asked for, or after a failure */
  packedSha256: Promise<string | null>;
  /** ends the decoder at once; `done` then says so */
  stop(): void;
}

const usualPath = '/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin';
const mostWords = 4000;

/** Exit status, signal and words of a child, once it has ended and its streams have. */
async function childEnd(child: ChildProcess) {
  let stderr = '';
  child.stderr?.setEncoding('utf8').on('data', (text: string) => {
    stderr = (stderr + text).slice(0, mostWords);
  });
  return new Promise<
    { status: number | null; signal: NodeJS.Signals | null; stderr: string } | CardwrightError
  >((resolve) => {
    child.once('error', (error) => resolve(startError(error)));
    child.once('close', (status, signal) => resolve({ status, signal, stderr }));
  });
}

/** xz and zstd say the same of a cut, of damage and of appended bytes; the structure of the file tells them apart. */
function explain(container: ContainerKind, options: DecoderOptions, said: CardwrightError): CardwrightError {
  const readers = { xz: readXz, zst: readZstd };
  if (container !== 'xz' && container !== 'zst') return said;
  if (said.code !== 'image.damaged' && said.code !== 'image.trailing-garbage') return said;
  const { path, inputFd, packedBytes } = options;
  try {
    readers[container]({
      sizeBytes: packedBytes,
      read: (offset, length) => readExactly(path, inputFd, offset, length),
    });
    return said;
  } catch (error) {
    return error instanceof CardwrightError ? error : said;
  }
}

async function feedRange(container: ContainerKind, options: DecoderOptions) {
  if (container !== 'zip') return { range: wholeFile(options.packedBytes), isStored: false };
  const { path, inputFd, packedBytes } = options;
  const { member } = await readZip({
    sizeBytes: packedBytes,
    read: (offset, length) => readExactly(path, inputFd, offset, length),
  });
  return { range: memberRange(member), isStored: member.method === 'stored' };
}

/** Whether everything that was written to `stdout` was also taken: an early close by the reader is no good end. */
function streamEnd(stdout: Readable | null): Promise<boolean> {
  if (!stdout) return Promise.resolve(true);
  return new Promise((resolve) => {
    stdout.once('end', () => resolve(true));
    stdout.once('close', () => resolve(false));
    stdout.once('error', () => resolve(false));
  });
}

function startFeeding(child: ChildProcess, range: FeedRange, options: DecoderOptions, signal: AbortSignal) {
  if (!child.stdin) return Promise.resolve(null);
  const order = {
    path: options.path,
    fd: options.inputFd,
    sizeBytes: options.packedBytes,
    range,
    hashPacked: options.hashPacked ?? false,
    signal,
  };
  return feedDecoder(order, child.stdin).catch((error: unknown) => {
    // the decoder must not take an early end of its input for the end of the image
    child.kill('SIGKILL');
    if (error instanceof CardwrightError) return error;
    return new CardwrightError('image.decoder-failed', {
      facts: { program: 'the feeding of it', detail: String(error) },
      cause: error,
    });
  });
}

/**
 * Starts the program that unpacks a container. The end is good only when its exit status, the end of its output and
 * its silence about trailing garbage agree (`done`).
 *
 * A crash of this process leaves nothing behind: the decoder is killed with its parent.
 * @throws CardwrightError what `readZip` throws, for a zip file; nothing was started then
 */
export async function startDecoder(container: ContainerKind, options: DecoderOptions): Promise<Decoder> {
  const { range, isStored } = await feedRange(container, options);
  const command = decoderCommand(container, isStored);
  const { program, args } = wrappedCommand(command);
  const isFed = options.hashPacked === true || container === 'zip';
  const child = spawn(program, args, {
    stdio: [isFed ? 'pipe' : options.inputFd, options.outputFd ?? 'pipe', 'pipe'],
    env: { PATH: options.searchPath ?? process.env.PATH ?? usualPath, LC_ALL: 'C' },
    cwd: '/',
    ...(options.uid === undefined ? {} : { uid: options.uid }),
    ...(options.gid === undefined ? {} : { gid: options.gid }),
  });
  const stopping = new AbortController();
  const ended = childEnd(child);
  const taken = streamEnd(child.stdout);
  const fed = startFeeding(child, range, options, stopping.signal);

  async function finish(): Promise<DecodeEnd> {
    const [exit, isTaken, feeding] = await Promise.all([ended, taken, fed]);
    if (stopping.signal.aborted) return new CardwrightError('image.decoding-stopped');
    if (exit instanceof CardwrightError) return exit;
    if (feeding instanceof CardwrightError) return feeding;
    const verdict = judgeDecoderEnd(container, command, exit);
    if (verdict) return explain(container, options, verdict);
    return isTaken ? { ok: true } : new CardwrightError('image.decoding-stopped');
  }

  return {
    pid: child.pid ?? null,
    stdout: child.stdout,
    done: finish(),
    packedSha256: fed.then((digest) => (digest instanceof CardwrightError ? null : digest)),
    stop: () => {
      stopping.abort();
      child.kill('SIGKILL');
    },
  };
}
