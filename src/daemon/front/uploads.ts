import { createHash, type Hash } from 'node:crypto';
import * as fs from 'node:fs';
import { dirname, join } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { callerFolder, type UploadState, uploadPath } from '../contract/upload-place.ts';

export interface UploadLimits {
  mostOfOneCaller: number;
  /** of one image */
  mostBytes: number;
  /** unused for so long, an image is dropped */
  keptMs: number;
  /** what has to stay free beside all of them */
  reserveBytes: number;
}

export const usualLimits: UploadLimits = {
  mostOfOneCaller: 8,
  mostBytes: 64 * 2 ** 30,
  keptMs: 24 * 3_600_000,
  reserveBytes: 256 * 2 ** 20,
};

interface Running {
  sizeBytes: number;
  hash: Hash;
  receivedBytes: number;
  isBusy: boolean;
}

const partOf = (path: string) => `${path}.part`;
const refused = (why: string) => new CardwrightError('daemon.upload-refused', { facts: { why } });

/**
 * Images that people send: each under its own SHA-256, in a folder of its sender's. One that is sent for the second time
 * is there already; one that was cut off goes on where it stopped.
 */
export class Uploads {
  readonly #folder: string;
  readonly #limits: UploadLimits;
  readonly #now: () => number;
  readonly #running = new Map<string, Running>();

  /** @param folder our own: nobody else can write there */
  constructor(folder: string, limits: UploadLimits = usualLimits, now: () => number = Date.now) {
    this.#folder = folder;
    this.#limits = limits;
    this.#now = now;
  }

  /**
   * Begins an image, or says how far it has come.
   *
   * @throws CardwrightError `daemon.upload-refused`, `daemon.busy`, `daemon.no-room`
   */
  begin(caller: string, { sha256, sizeBytes }: Pick<UploadState, 'sha256' | 'sizeBytes'>): UploadState {
    this.dropExpired();
    const path = join(this.#folder, uploadPath(caller, sha256));
    const whole = fs.statSync(path, { throwIfNoEntry: false });
    if (whole) {
      const now = new Date(this.#now());
      fs.utimesSync(path, now, now);
      return { sha256, sizeBytes: whole.size, receivedBytes: whole.size, isComplete: true };
    }
    const running = this.#running.get(path);
    if (running && running.sizeBytes !== sizeBytes) throw refused('it was begun with another size');
    if (!running) this.#expectRoom(caller, sizeBytes);
    const state = running ?? this.#open(path, sizeBytes);
    return { sha256, sizeBytes, receivedBytes: state.receivedBytes, isComplete: false };
  }

  #expectRoom(caller: string, sizeBytes: number): void {
    const { mostBytes, mostOfOneCaller, reserveBytes } = this.#limits;
    if (sizeBytes > mostBytes) throw refused(`an image of more than ${mostBytes} bytes`);
    const own = join(this.#folder, callerFolder(caller));
    if (fs.existsSync(own) && fs.readdirSync(own).length >= mostOfOneCaller) {
      throw new CardwrightError('daemon.busy', {
        facts: { what: `${mostOfOneCaller} images of yours are here` },
      });
    }
    const { bavail, bsize } = fs.statfsSync(this.#folder);
    const promised = [...this.#running.values()].reduce(
      (sum, { sizeBytes: size, receivedBytes }) => sum + size - receivedBytes,
      0,
    );
    const room = Math.max(0, bavail * bsize - reserveBytes - promised);
    if (sizeBytes > room) throw new CardwrightError('daemon.no-room', { facts: { bytes: sizeBytes, room } });
  }

  /** What an earlier process of ours received is read once more for its digest. */
  #open(path: string, sizeBytes: number): Running {
    fs.mkdirSync(dirname(path), { recursive: true, mode: 0o700 });
    const part = partOf(path);
    const fd = fs.openSync(part, 'a+', 0o600);
    const hash = createHash('sha256');
    let receivedBytes = 0;
    try {
      const piece = Buffer.alloc(2 ** 20);
      for (;;) {
        const length = fs.readSync(fd, piece, 0, piece.length, receivedBytes);
        if (length === 0) break;
        hash.update(piece.subarray(0, length));
        receivedBytes += length;
      }
    } finally {
      fs.closeSync(fd);
    }
    if (receivedBytes > sizeBytes) {
      fs.rmSync(part);
      return this.#open(path, sizeBytes);
    }
    const running = { sizeBytes, hash, receivedBytes, isBusy: false };
    this.#running.set(path, running);
    return running;
  }

  /**
   * Takes the next piece. With the last one the whole is compared with the digest that it was announced by.
   *
   * @throws CardwrightError `daemon.no-such-upload`, `daemon.upload-refused`, `daemon.no-room`
   */
  async append(caller: string, sha256: string, offset: number, bytes: Uint8Array): Promise<UploadState> {
    const path = join(this.#folder, uploadPath(caller, sha256));
    const running = this.#running.get(path);
    if (!running) throw new CardwrightError('daemon.no-such-upload');
    const { sizeBytes } = running;
    if (running.isBusy) throw refused('another piece of it is being taken');
    if (offset !== running.receivedBytes) throw refused(`it goes on at byte ${running.receivedBytes}`);
    if (offset + bytes.length > sizeBytes)
      throw refused(`it would be more than the ${sizeBytes} bytes announced`);
    running.isBusy = true;
    try {
      await writePiece(partOf(path), offset, bytes);
      running.hash.update(bytes);
      running.receivedBytes += bytes.length;
      const isComplete = running.receivedBytes === sizeBytes;
      if (isComplete) this.#complete(path, sha256, running);
      return { sha256, sizeBytes, receivedBytes: running.receivedBytes, isComplete };
    } finally {
      running.isBusy = false;
    }
  }

  #complete(path: string, sha256: string, { hash }: Running): void {
    this.#running.delete(path);
    const found = hash.digest('hex');
    if (found !== sha256) {
      fs.rmSync(partOf(path));
      throw refused(`what came has the SHA-256 ${found}`);
    }
    fs.renameSync(partOf(path), path);
  }

  list(caller: string): UploadState[] {
    const own = join(this.#folder, callerFolder(caller));
    if (!fs.existsSync(own)) return [];
    return fs.readdirSync(own).flatMap((name) => {
      const sha256 = name.slice(0, 64);
      const size = fs.statSync(join(own, name), { throwIfNoEntry: false })?.size;
      if (size === undefined) return [];
      const running = this.#running.get(join(own, sha256));
      const isComplete = name === sha256;
      return [{ sha256, sizeBytes: running?.sizeBytes ?? size, receivedBytes: size, isComplete }];
    });
  }

  /** @throws CardwrightError `daemon.no-such-upload` */
  drop(caller: string, sha256: string): void {
    const path = join(this.#folder, uploadPath(caller, sha256));
    const kept = [path, partOf(path)].filter((one) => fs.existsSync(one));
    if (kept.length === 0) throw new CardwrightError('daemon.no-such-upload');
    this.#running.delete(path);
    for (const one of kept) fs.rmSync(one, { force: true });
  }

  dropExpired(): void {
    const before = this.#now() - this.#limits.keptMs;
    for (const caller of fs.readdirSync(this.#folder)) {
      const own = join(this.#folder, caller);
      for (const name of fs.readdirSync(own)) {
        const path = join(own, name);
        if (fs.statSync(path).mtimeMs >= before) continue;
        this.#running.delete(path.replace(/\.part$/, ''));
        fs.rmSync(path);
      }
      if (fs.readdirSync(own).length === 0) fs.rmdirSync(own);
    }
  }
}

async function writePiece(path: string, offset: number, bytes: Uint8Array): Promise<void> {
  const file = await fs.promises.open(path, 'r+');
  try {
    // What an earlier attempt left behind this place is none of it.
    await file.truncate(offset);
    for (let at = 0; at < bytes.length; ) {
      at += (await file.write(bytes, at, bytes.length - at, offset + at)).bytesWritten;
    }
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'ENOSPC') throw error;
    throw new CardwrightError('daemon.no-room', { facts: { bytes: bytes.length, room: 0 }, cause: error });
  } finally {
    await file.close();
  }
}
