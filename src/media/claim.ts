import { spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Code } from '../contract/catalogue/index.ts';
import { errnoOf } from './io-error.ts';

/** An exclusive hold on one whole disk: claimed in the kernel (O_EXCL) and locked (flock) until released. */
export interface Claim {
  fd: number;
  /** closes the descriptor; the moment at which automounters wake up */
  release(): void;
}

/** udev and blkid open a new disk for a moment; they get this long to go. */
const briefReadersMs = 3000;

const { O_RDONLY, O_RDWR, O_EXCL, O_DIRECT, O_NOFOLLOW } = fs.constants;

/**
 * Claims a disk: O_EXCL without any fall-back (a mounted, lazily unmounted or swapped partition gives EBUSY, in
 * whatever namespace), direct I/O, no symbolic links; then flock, which makes udev leave the disk alone. SIGKILL frees
 * both at once.
 *
 * @param majorMinor what the node must still be after opening
 * @throws CardwrightError `media.busy`, `media.gone`, `media.changed`, `media.open-failed`; nothing stays open then
 */
export async function claimDisk(
  node: string,
  majorMinor: string,
  access: 'read' | 'write',
  patienceMs = briefReadersMs,
): Promise<Claim> {
  const flags = (access === 'write' ? O_RDWR : O_RDONLY) | O_EXCL | O_DIRECT | O_NOFOLLOW;
  const fd = await openPatiently(node, flags, patienceMs);
  try {
    const { rdev } = fs.fstatSync(fd);
    const found = majorMinorOf(rdev);
    if (found !== majorMinor) {
      throw new CardwrightError('media.changed', {
        card: 'untouched',
        facts: { expected: majorMinor, found },
      });
    }
    await lockDescriptor(fd, node, patienceMs);
  } catch (error) {
    fs.closeSync(fd);
    throw error;
  }
  return { fd, release: () => fs.closeSync(fd) };
}

/** Linux dev_t as glibc's makedev lays it out: 12 bits of major from bit 8, 20 bits of minor in two parts. */
function majorMinorOf(rdev: number): string {
  const major = (rdev >>> 8) & 0xfff;
  const minor = (rdev & 0xff) | ((rdev >>> 12) & 0xfff00);
  return `${major}:${minor}`;
}

async function openPatiently(node: string, flags: number, patienceMs: number): Promise<number> {
  const deadline = Date.now() + patienceMs;
  for (;;) {
    try {
      return fs.openSync(node, flags);
    } catch (error) {
      if (errnoOf(error) !== 'EBUSY' || Date.now() > deadline) throw openError(node, error);
    }
    await new Promise((resolve) => setTimeout(resolve, 100));
  }
}

/** EINVAL is what open(2) gives where there is no direct I/O. */
const openCodes: Record<string, Code> = { EBUSY: 'media.busy', EINVAL: 'media.no-direct-io' };

function openError(node: string, cause: unknown): CardwrightError {
  const errno = errnoOf(cause);
  const gone = errno === 'ENXIO' || errno === 'ENOMEDIUM' || errno === 'ENOENT' || errno === 'ENODEV';
  const code = openCodes[errno] ?? (gone ? 'media.gone' : 'media.open-failed');
  return new CardwrightError(code, { card: 'untouched', facts: { node, errno, offset: 0 }, cause });
}

/** flock(2) through an inherited descriptor: the lock belongs to the open file, so it outlives the child that took it. */
function lockDescriptor(fd: number, node: string, patienceMs: number): Promise<void> {
  return new Promise((resolve, reject) => {
    const child = spawn('flock', ['-x', '-w', String(patienceMs / 1000), '3'], {
      stdio: ['ignore', 'ignore', 'ignore', fd],
    });
    const refuse = (errno: string) =>
      reject(new CardwrightError('media.busy', { card: 'untouched', facts: { node, errno } }));
    child.once('error', (error) => refuse(errnoOf(error)));
    child.once('close', (status) => (status === 0 ? resolve() : refuse('locked by another process')));
  });
}
